"""Looks and change depth: against brute force, against its own rules, and after 100 lives."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from kit_replacement import PRIOR, Truth, brute_force, known_fit, run_lives

from pitwise.wear.fit import fit_wear
from pitwise.wear.replacement.depth import (
    FLAT,
    DepthPolicy,
    NoPolicy,
    best_depth,
    policy_cost,
    search,
)
from pitwise.wear.replacement.outcome import rule_cost
from pitwise.wear.replacement.paths import LifePaths, simulate
from pitwise.wear.replacement.rule import BadRuleError, ChangeCosts, Rule, saving

COSTS = ChangeCosts(look=15.0, change=80.0, loss=2100.0)
STEEP = Truth(base=1e-6, slope=6.0)
EVERY = (50, 100, 150, 200, 300)
DEPTHS = tuple(round(0.3 + 0.05 * k, 2) for k in range(15))


def paths_of(truth: Truth, *, seed: int = 1, step: int = 10) -> LifePaths:
    return simulate(
        known_fit(truth),
        "p",
        to_mm=1.0,
        step_starts=step,
        minutes_per_start=truth.minutes,
        gauge_sigma_mm=None,
        seed=seed,
        others_per_start=truth.others,
    )


@pytest.mark.parametrize(
    "truth",
    [Truth(), Truth(gamma=1.2, others=4e-4), Truth(base=1e-5, slope=3.0, phi=0.06)],
    ids=["plain", "other ends", "scattering"],
)
@pytest.mark.parametrize(
    "rule",
    [Rule((50,), 0.8), Rule((100,), 0.5), Rule((300,), 0.6), Rule((40, 80, 150), 0.9, 0.08)],
    ids=["often", "shallow", "seldom", "a habit"],
)
def test_a_rule_costs_what_brute_force_counts(truth: Truth, rule: Rule) -> None:
    found = policy_cost(
        known_fit(truth),
        "p",
        rule,
        1.0,
        COSTS,
        minutes_per_start=truth.minutes,
        gauge_sigma_mm=None,
        seed=1,
        others_per_start=truth.others,
    )
    counted = brute_force(truth, rule, 1.0, COSTS, lives=20_000, seed=2)
    se = math.hypot(found.se, counted.se)
    print(f"{found.per_start:.4f} against {counted.per_start:.4f}, standard error {se:.4f}")
    assert abs(found.per_start - counted.per_start) < 4 * se
    assert se < 0.02 * counted.per_start
    assert found.starts == pytest.approx(counted.starts, rel=0.02)
    assert found.looks == pytest.approx(counted.looks, rel=0.02)
    assert found.lost_share == pytest.approx(counted.lost, abs=0.004)
    assert found.past_share == pytest.approx(counted.past, abs=0.03)
    assert found.lost_share + found.changed_share + found.other_share == pytest.approx(1, abs=1e-9)
    assert found.cut_short < 1e-3


def test_the_surface_is_that_of_brute_force() -> None:
    """The grid's shape, not its level alone: the same cheapest corner, and every place near."""
    found = best_depth(
        known_fit(STEEP),
        "p",
        1.0,
        COSTS,
        minutes_per_start=0.5,
        gauge_sigma_mm=None,
        every=(50, 150, 300),
        depths_mm=(0.4, 0.6, 0.8, 1.0),
        seed=3,
        accepted_risk=1.0,
    )
    assert isinstance(found, DepthPolicy)
    for i, n in enumerate(found.every):
        for j, d in enumerate(found.depths_mm):
            counted = brute_force(STEEP, Rule((n,), d), 1.0, COSTS, lives=8000, seed=10 * i + j)
            assert (
                abs(found.grid[i, j] - counted.per_start)
                < 4 * counted.se + 0.01 * counted.per_start
            )
            assert found.past[i, j] == pytest.approx(counted.past, abs=0.04)


def test_the_best_is_the_cheapest_allowed_and_never_above_the_limit() -> None:
    paths = paths_of(STEEP)
    found = search(paths, 1.0, COSTS, EVERY, DEPTHS, 0.05)
    assert isinstance(found, DepthPolicy)
    allowed = found.past <= 0.05
    assert found.best.past_share <= 0.05
    assert found.cost_per_start == pytest.approx(found.grid[allowed].min(), rel=1e-12)
    assert found.depth_mm <= 1.0
    assert found.money_alone.per_start == pytest.approx(found.grid.min(), rel=1e-12)
    assert found.best.low <= found.cost_per_start <= found.best.high
    with pytest.raises(BadRuleError, match="limit of 1 mm"):
        search(paths, 1.0, COSTS, EVERY, (0.8, 1.05), 0.05)


def test_the_flat_region_costs_what_it_says() -> None:
    found = search(paths_of(STEEP), 1.0, COSTS, EVERY, DEPTHS, 1.0)
    assert isinstance(found, DepthPolicy)
    row = found.grid[found.every.index(found.every_starts)]
    near = [d for d, c in zip(found.depths_mm, row, strict=True) if c <= (1 + FLAT) * row.min()]
    assert (found.flat_from_mm, found.flat_to_mm) == (near[0], near[-1])
    assert found.flat_from_mm <= found.depth_mm <= found.flat_to_mm
    assert found.flat_from_mm < found.flat_to_mm
    assert not found.edge
    # Known without doubt, the best depth has no range.
    assert found.depth_high_mm - found.depth_low_mm < 0.25


def test_dearer_losses_mean_shallower_changes_and_dearer_looks_fewer_of_them() -> None:
    paths = paths_of(STEEP)

    def best(costs: ChangeCosts) -> DepthPolicy:
        found = search(paths, 1.0, costs, EVERY, DEPTHS, 1.0)
        assert isinstance(found, DepthPolicy)
        return found

    cheap, dear = best(ChangeCosts(15, 80, 500)), best(ChangeCosts(15, 80, 8000))
    assert dear.depth_mm < cheap.depth_mm
    assert (
        best(ChangeCosts(1, 80, 2100)).every_starts < best(ChangeCosts(60, 80, 2100)).every_starts
    )


def test_without_losses_the_limit_decides_and_is_said_to() -> None:
    found = search(paths_of(Truth(base=1e-12)), 1.0, COSTS, (50, 100), DEPTHS, 0.05)
    assert isinstance(found, DepthPolicy)
    assert found.edge
    assert found.best.past_share <= 0.05 < found.money_alone.past_share


def test_no_rule_is_advised_where_none_keeps_the_limit() -> None:
    found = search(paths_of(Truth(rate=3.0)), 1.0, COSTS, (300,), (0.8, 1.0), 0.05)
    assert isinstance(found, NoPolicy)
    assert not found
    assert "more than the accepted 5 %" in found.reason
    assert "look more often" in found.mend


def test_the_same_seed_gives_the_same_answer_and_another_nearly() -> None:
    one, again, other = (paths_of(STEEP, seed=s) for s in (1, 1, 2))
    rule = Rule((100,), 0.8)
    costs = [rule_cost(p, rule, 1.0, COSTS) for p in (one, again, other)]
    assert costs[0].per_start == costs[1].per_start
    assert costs[0].per_start != costs[2].per_start
    assert abs(costs[0].per_start - costs[2].per_start) < 5 * math.hypot(costs[0].se, costs[2].se)


def test_a_saving_is_known_better_than_either_cost() -> None:
    doubtful = fit_wear(run_lives(STEEP, 30, seed=5), PRIOR, seed=0)
    paths = simulate(
        doubtful,
        "p",
        to_mm=1.0,
        step_starts=10,
        minutes_per_start=0.5,
        gauge_sigma_mm=None,
        seed=1,
    )
    habit = rule_cost(paths, Rule((50,), 0.95), 1.0, COSTS)
    better = rule_cost(paths, Rule((150,), 0.7), 1.0, COSTS)
    found = saving(habit, better)
    assert found.low < found.per_start < found.high
    assert found.high - found.low < (habit.high - habit.low) + (better.high - better.low)
    assert found.share == pytest.approx(found.per_start / habit.per_start)
    assert 0 <= found.sure <= 1
    nothing = saving(habit, habit)
    assert (nothing.per_start, nothing.low, nothing.high) == (0, 0, 0)


def test_more_money_for_everything_changes_no_rule() -> None:
    paths = paths_of(STEEP)
    ten = ChangeCosts(150.0, 800.0, 21000.0)
    a, b = (search(paths, 1.0, c, EVERY, DEPTHS, 0.05) for c in (COSTS, ten))
    assert isinstance(a, DepthPolicy)
    assert isinstance(b, DepthPolicy)
    assert a.best.rule == b.best.rule
    assert b.cost_per_start == pytest.approx(10 * a.cost_per_start)


def test_a_scattering_habit_costs_more_than_the_same_kept_to() -> None:
    paths = paths_of(STEEP)
    kept = rule_cost(paths, Rule((80,), 0.8), 1.0, COSTS)
    loose = rule_cost(paths, Rule((80,), 0.8, 0.25), 1.0, COSTS)
    assert loose.starts < kept.starts
    assert loose.per_start > kept.per_start


def test_a_process_never_met_leans_on_the_sheet_and_says_so() -> None:
    fit = fit_wear((), PRIOR)
    found = best_depth(
        fit,
        "never met",
        1.0,
        COSTS,
        minutes_per_start=0.5,
        gauge_sigma_mm=0.03,
        every=(100,),
        depths_mm=(0.3, 0.4, 0.5),
        seed=1,
        accepted_risk=0.2,
    )
    assert isinstance(found, DepthPolicy)
    assert found.few_losses
    assert found.losses_on_record == 0
    assert found.best.high > 2 * found.best.low


@pytest.mark.parametrize(
    ("make", "word"),
    [
        (lambda: ChangeCosts(1, 0, 5), "all day"),
        (lambda: ChangeCosts(-1, 2, 5), "look"),
        (lambda: ChangeCosts(1, 2, math.nan), "loss"),
        (lambda: Rule((), 0.5), "one start apart"),
        (lambda: Rule((0,), 0.5), "one start apart"),
        (lambda: Rule((50,), 0.0), "above 0 mm"),
        (lambda: Rule((50,), 0.5, -0.1), "scatter"),
        (lambda: rule_cost(paths_of(STEEP), Rule((55,), 0.8), 1.0, COSTS), "steps of 10"),
        (lambda: search(paths_of(STEEP), 1.0, COSTS, (), (0.5,), 0.05), "no interval"),
        (lambda: search(paths_of(STEEP), 1.0, COSTS, (50,), (0.5,), 0.0), "accepted risk"),
    ],
)
def test_what_cannot_be_is_refused(make: object, word: str) -> None:
    assert callable(make)
    with pytest.raises(BadRuleError, match=word):
        make()


@pytest.mark.parametrize("world", ["the limit decides", "the money decides"])
def test_after_a_hundred_lives_the_advice_costs_within_two_percent_of_the_best(world: str) -> None:
    """A shop that knew nothing runs 100 electrodes, and then does as advised in the true world.

    More worlds and seeds: docs/when-to-change.md, made by benchmarks/replacement.py.
    """
    limit, risk = (1.0, 0.05) if world == "the limit decides" else (1.5, 1.0)
    every = (50, 75, 100, 150, 200, 250, 300, 400)
    depths = tuple(round(0.3 + 0.05 * k, 2) for k in range(round((limit - 0.3) / 0.05) + 1))
    costs = ChangeCosts(look=6.0, change=80.0, loss=2100.0)
    truth = Truth(base=1e-5, slope=3.0)
    # The optimum of one who knows the truth, on many lives of it.
    known = simulate(
        known_fit(truth, draws=50),
        "p",
        to_mm=limit,
        step_starts=25,
        minutes_per_start=truth.minutes,
        gauge_sigma_mm=None,
        seed=99,
        draws=50,
        electrodes=120,
    )
    optimum = search(known, limit, costs, every, depths, risk)
    assert isinstance(optimum, DepthPolicy)
    found, errors = [], []
    for seed in range(1, 7):
        fit = fit_wear(run_lives(truth, 100, seed=seed, change_at=0.95 * limit), PRIOR)
        advised = best_depth(
            fit,
            "p",
            limit,
            costs,
            minutes_per_start=truth.minutes,
            gauge_sigma_mm=None,
            every=every,
            depths_mm=depths,
            seed=seed,
            accepted_risk=risk,
        )
        assert isinstance(advised, DepthPolicy)
        real = rule_cost(known, advised.best.rule, limit, costs)
        # Both on the same lives: the error of their difference, draw by draw.
        each = (real.by_draw - optimum.best.by_draw) / optimum.cost_per_start
        excess, se = float(each.mean()), float(each.std() / math.sqrt(len(each)))
        found.append(excess)
        errors.append(se)
        counted = brute_force(truth, advised.best.rule, limit, costs, lives=5000, seed=seed)
        print(
            f"advised {advised.best.rule}, best {optimum.best.rule}: {100 * excess:.2f} % above "
            f"the least, standard error {100 * se:.2f} %; {100 * real.past_share:.1f} % pass the "
            f"limit; brute force {counted.per_start:.4f}, standard error {counted.se:.4f}"
        )
        assert abs(real.per_start - counted.per_start) < 4 * math.hypot(counted.se, real.se)
        assert real.past_share < 2 * risk
    mean = sum(found) / len(found)
    between = math.sqrt(sum((x - mean) ** 2 for x in found) / (len(found) - 1) / len(found))
    print(f"{world}: {100 * mean:.2f} % above the least, standard error {100 * between:.2f} %")
    assert abs(mean) + 2 * math.hypot(between, max(errors)) < 0.02
    assert max(found) < 0.04


def test_the_fits_own_doubt_narrows_with_lives() -> None:
    few, many = (
        policy_cost(
            fit_wear(run_lives(STEEP, n, seed=8), replace(PRIOR)),
            "p",
            Rule((100,), 0.8),
            1.0,
            COSTS,
            minutes_per_start=0.5,
            gauge_sigma_mm=None,
            seed=1,
        )
        for n in (5, 40)
    )
    assert many.high - many.low < few.high - few.low
