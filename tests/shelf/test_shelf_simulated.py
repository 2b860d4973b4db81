"""Rules played out call by call: what they promise is what they do.

Seeded; each mean has its standard error from 40 batches, and is held to four of them. The
asked service is reached within two points.
"""

from __future__ import annotations

import numpy as np
import pytest
from kit_shelf import play_reviewed, play_watched

from pitwise.shelf.demand_pmf import Pmf
from pitwise.shelf.periodic import ReviewMeasure, cheapest_review_for_service
from pitwise.shelf.reorder import (
    Measure,
    cheapest_for_service,
    judge,
    least_reorder_point,
    service_of,
)

_POINTS = 0.02


def held(name: str, seen: tuple[float, float], promised: float) -> None:
    mean, se = seen
    print(f"{name}: seen {mean:.4f} (standard error {se:.4f}), promised {promised:.4f}")
    assert abs(mean - promised) <= 4 * se + 1e-9
    # The run is long enough to tell.
    assert se < 0.01 * max(1.0, promised)


@pytest.mark.parametrize(
    ("rate", "lead", "asked"), [(0.4, 9.0, 0.95), (1.5, 2.0, 0.9), (3, 5, 0.98)]
)
@pytest.mark.parametrize("measure", ["fill", "cycle"])
def test_a_watched_shelf_serves_as_asked(
    rate: float, lead: float, asked: float, measure: Measure
) -> None:
    rng = np.random.default_rng([7, int(10 * rate), len(measure)])
    demand = Pmf.poisson(rate * lead)
    rule = cheapest_for_service(demand, rate, fixed=30, holding=1.0, service=asked, measure=measure)
    seen = play_watched(rule.reorder_point, rule.order_size, rate, lead, rng, calls=2500)
    held("fill", seen.mean("fill"), rule.service.fill_rate)
    held("ready", seen.mean("ready"), rule.service.ready_rate)
    held("cycle", seen.mean("cycle"), rule.service.cycle_service)
    held("owed", seen.mean("owed"), rule.owed)
    mean, se = seen.mean("on_shelf")
    assert abs(mean - rule.on_shelf) <= 4 * se
    mean, se = seen.mean("orders")
    assert abs(mean - rate / rule.order_size) <= 4 * se
    # The cheapest rule may serve better than asked; with its own size, the least point does not.
    mean, se = seen.mean(measure)
    assert mean >= asked - _POINTS
    point = least_reorder_point(demand, rule.order_size, asked, measure)
    assert point == rule.reorder_point
    assert service_of(demand, point - 1, rule.order_size).of(measure) < asked


def test_a_finely_set_rule_comes_within_two_points_of_what_was_asked() -> None:
    rng = np.random.default_rng(11)
    demand = Pmf.poisson(15)
    for asked in (0.85, 0.9, 0.95, 0.99):
        r = least_reorder_point(demand, 6, asked)
        mean, se = play_watched(r, 6, 3.0, 5.0, rng, calls=1500).mean("fill")
        print(f"asked {asked}, seen {mean:.4f} (standard error {se:.4f})")
        assert abs(mean - asked) <= _POINTS + 3 * se
        assert se < 0.005


@pytest.mark.parametrize(
    ("chances", "r", "q"), [([0, 0.5, 0.3, 0.2], 6, 5), ([0, 0.4, 0, 0.2, 0, 0, 0.4], 13, 2)]
)
def test_several_taken_at_once(chances: list[float], r: int, q: int) -> None:
    """With more at once than an order holds, too: then several orders at a time are placed."""
    rng = np.random.default_rng([3, q])
    sizes = Pmf(np.array(chances))
    rate, lead = 0.6, 4.0
    demand = sizes.over(Pmf.poisson(rate * lead))
    promised = service_of(demand, r, q, taken=sizes)
    seen = play_watched(r, q, rate, lead, rng, calls=4000, sizes=sizes)
    held("fill", seen.mean("fill"), promised.fill_rate)
    held("ready", seen.mean("ready"), promised.ready_rate)
    held("cycle", seen.mean("cycle"), promised.cycle_service)
    # One at a time would promise another fill rate: the difference is seen.
    mean, se = seen.mean("fill")
    assert abs(service_of(demand, r, q).fill_rate - mean) > 8 * se
    mean, se = seen.mean("owed")
    assert abs(mean - judge(demand, rate, r, q, fixed=1, holding=1).owed) <= 4 * se


@pytest.mark.parametrize("measure", ["fill", "ready", "period"])
def test_a_reviewed_shelf_serves_as_asked(measure: ReviewMeasure) -> None:
    rng = np.random.default_rng([5, len(measure)])
    demand = Pmf.gamma_poisson(2.5, 5.0)
    rule = cheapest_review_for_service(
        demand, fixed=25, holding=1, service=0.95, measure=measure, lead=demand.times(2)
    )
    seen = play_reviewed(rule.order_at, rule.order_up_to, demand, 2, rng, periods=2000)
    held("fill", seen.mean("fill"), rule.service.fill_rate)
    held("ready", seen.mean("ready"), rule.service.ready_rate)
    held("period", seen.mean("cycle"), rule.service.period_service)
    held("orders", seen.mean("orders"), rule.orders_per_review)
    held("owed", seen.mean("owed"), rule.owed)
    mean, se = seen.mean("on_shelf")
    assert abs(mean - rule.on_shelf) <= 4 * se
    mean, se = seen.mean("cycle" if measure == "period" else measure)
    assert abs(mean - 0.95) <= _POINTS + 3 * se


def test_a_lead_time_that_is_not_sure() -> None:
    """Poisson calls over a gamma lead time are gamma–Poisson."""
    rng = np.random.default_rng(21)
    rate, lead, sd = 0.5, 6.0, 2.0
    leads = rng.gamma((lead / sd) ** 2, sd**2 / lead, 200_000)
    seen = rng.poisson(rate * leads)
    promised = Pmf.gamma_poisson(rate * lead, rate * lead + (rate * sd) ** 2)
    k = np.arange(12)
    share = np.bincount(seen, minlength=12)[:12] / seen.size
    se = np.sqrt(promised.p[:12] * (1 - promised.p[:12]) / seen.size)
    assert np.all(np.abs(share - promised.p[k]) <= 4.5 * se)
