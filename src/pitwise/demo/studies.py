"""The made-up shop's studies: one of its bench gauge, one of how its people see nozzles.

Every reading and judgement is drawn by a seeded generator; the studies' names say so.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from random import Random

from pitwise.services import (
    agreement_results,
    agreement_studies,
    gauge_results,
    gauge_studies,
    setup,
)
from pitwise.services.gauge_study_view import Doubt
from pitwise.services.permissions import Actor
from pitwise.services.shopfloor import Shop
from pitwise.services.study_order import slots_of

_PARTS, _ROUNDS, _SPECIMENS = 10, 3, 12
# Standard deviations in mm: the same person again, between people, and on single parts.
_AGAIN, _BETWEEN, _BY_PART = 0.014, 0.012, 0.006
# How often a specimen has a finding, and how often people who look at it see it; also where
# there is none.
_FINDINGS = (
    ("orifice-nicked", 0.2, 0.93, 0.02),
    ("orifice-out-of-round", 0.3, 0.75, 0.1),
    ("scale", 0.45, 0.85, 0.08),
    ("arc-marks", 0.1, 0.9, 0.02),
)


def add_studies(
    shop: Shop,
    people: Sequence[Actor],
    *,
    seed: int,
    wait: Callable[[float], None],
) -> None:
    """Carry one gauge study and one agreement study through, as people would.

    Parameters
    ----------
    shop : Shop
    people : sequence of Actor
        Who measures and judges; the first begins and ends both.
    seed : int
        The same seed gives the same studies.
    wait : callable
        Lets so many minutes pass.
    """
    random = Random(seed)
    names = [p.name for p in people]
    gauge = setup.shop_list(shop, people[0]).gauges[0]
    number = gauge_studies.start(
        shop,
        people[0],
        key=f"demo-{seed}-gauge-study",
        name=f"{gauge.name} (demo: values made up)",
        gauge_id=gauge.id,
        unit="mm",
        people=names,
        parts=_PARTS,
        trials=_ROUNDS,
        tolerance="1.0 mm",
        order_seed=seed,
    )
    depths = [0.08 + 0.13 * k + random.uniform(-0.03, 0.03) for k in range(_PARTS)]
    random.shuffle(depths)
    biases = [random.gauss(0, _BETWEEN) for _ in names]
    own = [[random.gauss(0, _BY_PART) for _ in depths] for _ in names]
    for k, slot in enumerate(slots_of(seed, len(names), _PARTS, _ROUNDS)):
        wait(0.7)
        depth = depths[slot.part - 1] + biases[slot.person] + own[slot.person][slot.part - 1]
        typed = f"{max(0.0, depth + random.gauss(0, _AGAIN)):.2f}"
        key = f"demo-{seed}-gauge-{k:04d}"
        took = gauge_studies.take(shop, people[slot.person], number, slot, typed, key=key)
        if isinstance(took, Doubt):
            gauge_studies.take(shop, people[slot.person], number, slot, typed, key=key, sure=True)
    gauge_results.finish(shop, people[0], number)
    _agreement(shop, people, Random(seed), seed, wait)


def _agreement(
    shop: Shop, people: Sequence[Actor], random: Random, seed: int, wait: Callable[[float], None]
) -> None:
    number = agreement_studies.start(
        shop,
        people[0],
        key=f"demo-{seed}-agreement-study",
        name="Nozzles, both shifts (demo: made up)",
        part="nozzle",
        specimens=_SPECIMENS,
    )
    there = [
        {f for f, share, _, _ in _FINDINGS if random.random() < share} for _ in range(_SPECIMENS)
    ]
    for person in people:
        # One looks a little harder than another.
        eye = random.uniform(-0.06, 0.06)
        for specimen, has in enumerate(there, start=1):
            wait(0.8)
            seen = [
                f
                for f, _, hit, slip in _FINDINGS
                if random.random() < (hit if f in has else slip) + eye
            ]
            bad = {"orifice-nicked", "orifice-out-of-round", "arc-marks"} & set(seen)
            action = "replace" if bad else "clean" if "scale" in seen else "keep"
            agreement_studies.judge(
                shop,
                person,
                number,
                specimen,
                key=f"demo-{seed}-judge-{person.person_id}-{specimen}",
                seen=seen,
                action=action,
            )
    agreement_results.finish(shop, people[0], number)
