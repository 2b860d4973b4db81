"""Tempering: what has no part in a cause leaves it alone, what is absent never raises it."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from kit_causes import small_sheet

from causes_reference import random_network
from pitwise.causes.diagnose import Observations, diagnose
from pitwise.causes.evidence import Evidence, Grade, Item, Soft, compile_evidence
from pitwise.causes.network import Network
from pitwise.causes.observe import State
from pitwise.causes.posterior import posteriors
from pitwise.causes.temper import Tempering
from pitwise.trade import Sheet, base_sheet

BASE = base_sheet()
HELD = Tempering(odds=0.8, few=0.5)


def _p(sheet: Sheet, **findings: State) -> dict[str, float]:
    found = diagnose(sheet, Observations(findings=findings))
    return {c.id: c.p for c in found.causes}


def _absent(names: Iterable[str]) -> dict[str, State]:
    return dict.fromkeys(names, "absent")


def _tempered(network: Network, evidence: Evidence) -> npt.NDArray[np.float64]:
    telling = compile_evidence(network, evidence).telling()
    return HELD.posterior(posteriors(network, evidence).p, network.prior, telling)


def _two_parts(rng: np.random.Generator) -> Network:
    """Return 4 causes and 8 findings in two parts that share nothing, and 2 findings of chance."""
    one, two = random_network(rng, 2, 4, 2), random_network(rng, 2, 4, 2)
    link = np.zeros((4, 10))
    link[:2, :4], link[2:, 4:8] = one.link, two.link
    return Network.of(
        np.concatenate([one.prior, two.prior]),
        np.concatenate([one.leak, two.leak, [0.1, 0.2]]),
        link,
    )


@pytest.mark.parametrize("start", range(30))
def test_facts_that_share_nothing_with_a_cause_leave_it_alone(start: int) -> None:
    rng = np.random.default_rng(start)
    network = _two_parts(rng)
    states = rng.permutation(["seen", "absent", "none", "soft"])
    known = Evidence(
        frozenset(j for j in range(4) if states[j] == "seen"),
        frozenset(j for j in range(4) if states[j] == "absent"),
        tuple(Soft(j, *rng.random(2)) for j in range(4) if states[j] == "soft"),
    )
    more = replace(
        known,
        seen=known.seen | {4, 8},
        absent=known.absent | {5, 9},
        soft=(*known.soft, Soft(6, 0.9, 0.2)),
    )
    np.testing.assert_allclose(
        _tempered(network, more)[:2], _tempered(network, known)[:2], rtol=1e-12
    )


@pytest.mark.parametrize("start", range(60))
def test_tempering_never_raises_a_cause_by_what_is_absent(start: int) -> None:
    rng = np.random.default_rng(start)
    network = random_network(rng, 5, 9, 3)
    whole = network.link.copy()
    # The last finding is of one cause only: nothing is explained away, so absent speaks against.
    own = int(rng.integers(5))
    whole[:, 8] = 0
    whole[own, 8] = 0.6
    network = Network.of(network.prior, network.leak, whole)
    states = rng.choice(["seen", "absent", "none"], 8)
    seen, absent = (frozenset(np.flatnonzero(states == s).tolist()) for s in ("seen", "absent"))
    known = Evidence(seen, absent)
    for shown in (*np.flatnonzero(states == "none").tolist(), 8):
        more = replace(known, absent=known.absent | {shown})
        before, after = posteriors(network, known).p, posteriors(network, more).p
        held = _tempered(network, more) - _tempered(network, known)
        # Where another cause is no longer to blame, a cause may rise: with the exact p only.
        assert (held[after <= before] <= 1e-12).all()
        if shown == 8:
            assert held[own] < 0


def test_what_is_absent_and_unrelated_does_not_raise_low_flow() -> None:
    alone = _p(BASE, W_flow="seen")["cool_low"]
    blamed = {k.cause for k in BASE.links if k.symptom == "W_flow"}
    near = {k.symptom for k in BASE.links if k.cause in blamed}
    far = [s.id for s in BASE.symptoms if s.id not in near]
    assert len(far) > 10
    assert _p(BASE, W_flow="seen", **_absent(far))["cool_low"] == pytest.approx(alone, abs=1e-12)
    asked = _absent(("P_clamp", "P_ramp", "P_edge", "P_air"))
    assert _p(BASE, W_flow="seen", **asked)["cool_low"] < alone + 0.02


def test_what_is_absent_beside_a_grade_of_its_group_speaks_against() -> None:
    grade = _p(BASE, H_spat="slight")
    beside = _p(BASE, H_spat="slight", N_spat="absent")
    more = _p(BASE, H_spat="slight", N_spat="seen")
    for cause in {k.cause for k in BASE.links if k.symptom == "N_spat"}:
        assert beside[cause] <= grade[cause] + 1e-12
    low = max((k for k in BASE.links if k.symptom == "N_spat"), key=lambda k: k.p).cause
    assert beside[low] < more[low]


def test_grades_of_a_group() -> None:
    network = Network.of([0.2, 0.3], [0.1] * 4, [[0.5] * 4, [0.4, 0, 0.3, 0.2]])
    cum, leak = np.array([[0.5, 0.8, 1.0], [0.6, 0.7, 1.0]]), np.array([0.9, 0.95, 1.0])

    nothing: frozenset[int] = frozenset()

    def facts(
        grades: dict[int, int], seen: frozenset[int] = nothing, absent: frozenset[int] = nothing
    ) -> list[Item]:
        told = tuple(Grade(f, g, cum, leak) for f, g in grades.items())
        got = compile_evidence(
            network, Evidence(seen, absent, (), told, (frozenset({0, 1, 2, 3}),))
        )
        return [*got.opened, *got.closed]

    worst = Item("grade", (1,))
    assert facts({0: 1, 1: 2}, seen=frozenset({2}), absent=frozenset({3})) == [
        worst,
        Item("absent", (3,)),
        worst,
    ]
    assert facts({0: 0, 1: 0}, seen=frozenset({2})) == [Item("seen", (2,)), Item("grade", (0,))]
    assert facts({0: 0}, absent=frozenset({2, 3})) == [Item("absent", (2, 3))]


def test_telling_counts_facts_and_not_findings() -> None:
    network = Network.of([0.2, 0.3], [0.1] * 5, [[0.5] * 5, [0.4, 0, 0, 0, 0.2]])
    evidence = Evidence(
        frozenset({0, 1}),
        frozenset({2}),
        (Soft(3, 0.2, 0.9), Soft(4, 0.9, 0.2)),
        groups=(frozenset({0, 1}),),
    )
    assert compile_evidence(network, evidence).telling().tolist() == [2, 2]
    assert compile_evidence(network, Evidence()).telling().tolist() == [0, 0]


def test_two_signs_that_are_one_fact_are_believed_as_one() -> None:
    few = small_sheet(temper_few="0.5")
    rows = tuple(
        k.model_copy(update={"p": 0.5}) if k.symptom == "S_twin2" else k for k in few.links
    )
    even = replace(
        few,
        links=rows,
        symptoms=tuple(
            s.model_copy(update={"leak": 0.02}) if s.id == "S_twin2" else s for s in few.symptoms
        ),
    )
    once, twice = _p(even, S_twin="seen"), _p(even, S_twin="seen", S_twin2="seen")
    assert twice["flow"] == pytest.approx(once["flow"], abs=1e-12)


def test_share() -> None:
    np.testing.assert_allclose(HELD.share([0, 1, 2]), [0.8, 0.8 / 1.5, 0.8 * 2 / 2.5])
    np.testing.assert_allclose(Tempering(odds=0.8).share([0, 3]), [0.8, 0.8])


def test_told_shifts_are_what_leaving_the_finding_out_changes_in_what_is_shown() -> None:
    sheet = small_sheet(temper_odds="0.8", temper_few="0.5", temper_leak_floor="0.03")
    findings: dict[str, State] = {
        "S_blue": "seen",
        "S_low": "absent",
        "S_bent": "seen",
        "S_dross": "slight",
    }
    whole = diagnose(sheet, Observations(findings=findings))
    checked = 0
    for cause in whole.causes:
        for told in (*cause.for_, *cause.against):
            rest = {k: v for k, v in findings.items() if k != told.symptom}
            less = {c.id: c.p for c in diagnose(sheet, Observations(findings=rest)).causes}
            assert told.shift == pytest.approx(_logit(cause.p) - _logit(less[cause.id]), abs=1e-9)
            checked += 1
    assert checked > 5


def _logit(p: float) -> float:
    return math.log(p / (1 - p))
