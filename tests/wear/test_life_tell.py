"""What lives tell and when they don't; step curves and tests at their edges."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pitwise.wear.life.lives import Lives
from pitwise.wear.life.steps import (
    NotStepwiseError,
    cumulative_incidence,
    kaplan_meier,
    log_log_limits,
    logrank,
)
from pitwise.wear.life.tell import (
    Compared,
    LifeTold,
    TooFewToTell,
    compare,
    joined,
    p_words,
    tell,
)
from pitwise.wear.life.weibull import fit_weibull
from pitwise.wear.refusal import BadShapeError, FitRefusedError, TooFewError

INF = math.inf


def drawn(seed: int, n: int, shape: float, scale: float) -> Lives:
    t = scale * np.random.default_rng(seed).weibull(shape, n)
    stop = np.quantile(t, 0.8)
    return Lives.of(np.minimum(t, stop), np.where(t > stop, INF, t))


def test_enough_lives_are_told_with_ranges() -> None:
    told = tell(drawn(1, 60, 3.0, 400))
    assert isinstance(told, LifeTold)
    assert set(told.ranges) == {"shape", "scale", "b10", "b50"}
    assert told.kind == "wear"
    assert told.way == "likelihood"
    half = float(told.fit.quantile(0.5))
    assert told.ranges["b50"].low < half < told.ranges["b50"].high
    wider = tell(drawn(1, 60, 3.0, 400), 0.99)
    assert isinstance(wider, LifeTold)
    assert wider.ranges["shape"].high > told.ranges["shape"].high


@pytest.mark.parametrize(("shape", "kind"), [(0.5, "early"), (1.0, "chance"), (4.0, "wear")])
def test_the_kind_goes_by_the_range_of_the_shape(shape: float, kind: str) -> None:
    told = tell(drawn(5, 80, shape, 100))
    assert isinstance(told, LifeTold)
    assert told.kind == kind


def test_two_ends_are_too_few() -> None:
    told = tell(Lives.of([3, 4, 9, 9], [3, 4, INF, INF]))
    assert isinstance(told, TooFewToTell)
    assert (told.ends, told.lives) == (2, 4)
    assert "2 of 4" in told.reason
    assert told.mend


def test_no_best_fit_gives_its_reason() -> None:
    told = tell(Lives.of([5, 5, 5], [5, 5, 5]))
    assert isinstance(told, TooFewToTell)
    assert told.ends == 3
    assert "spread" in told.reason


def test_a_range_that_says_nothing_is_not_told() -> None:
    told = tell(Lives.of([0.01, 10, 3000], [0.01, 10, 3000]))
    assert isinstance(told, TooFewToTell)
    assert "range" in told.reason


def test_a_level_out_of_range_is_refused() -> None:
    for level in (0.0, 1.0, 95.0):
        with pytest.raises(FitRefusedError, match="level"):
            tell(drawn(1, 20, 2, 1), level)


def test_groups_that_differ() -> None:
    found = compare({"old": drawn(1, 40, 2.0, 100), "new": drawn(2, 40, 2.0, 200)})
    assert isinstance(found, Compared)
    assert found.logrank is not None
    assert found.likelihood_ratio is not None
    assert found.logrank.p < 0.01
    assert found.likelihood_ratio.p < 0.01
    assert (found.logrank.df, found.likelihood_ratio.df) == (1, 2)
    assert "last differently" in found.words
    assert found.words.index("in new") < found.words.index("in old")


def test_groups_alike() -> None:
    found = compare({str(k): drawn(k, 30, 2.0, 100) for k in range(3)})
    assert isinstance(found, Compared)
    assert "within chance" in found.words


def test_the_likelihood_ratio_is_that_of_the_fits() -> None:
    groups = {str(k): drawn(k, 25, 2.0, 100 + 20 * k) for k in range(3)}
    found = compare(groups)
    assert isinstance(found, Compared)
    assert found.likelihood_ratio is not None
    apart = sum(fit_weibull(g).loglik for g in groups.values())
    whole = fit_weibull(joined(list(groups.values()))).loglik
    assert found.likelihood_ratio.chi2 == pytest.approx(2 * (apart - whole))
    assert found.likelihood_ratio.df == 4


def test_between_two_looks_there_is_no_log_rank() -> None:
    one, two = drawn(1, 30, 2.0, 100), drawn(2, 30, 2.0, 300)
    looked = Lives.of(np.floor(one.lower / 10) * 10, np.floor(one.lower / 10) * 10 + 10)
    found = compare({"a": looked, "b": two})
    assert isinstance(found, Compared)
    assert found.logrank is None
    assert found.likelihood_ratio is not None


def test_a_group_without_a_fit_is_named() -> None:
    groups = {"a": drawn(1, 30, 2, 100), "b": drawn(2, 30, 2, 100), "c": Lives.of([5], [INF])}
    found = compare(groups)
    assert isinstance(found, Compared)
    assert found.left_out == ("c",)
    assert "Too few ended for a curve of their own: c." in found.words


def test_nothing_to_compare() -> None:
    assert isinstance(compare({"a": drawn(1, 30, 2, 100)}), TooFewToTell)
    still = Lives.of([5, 6], [INF, INF])
    found = compare({"a": still, "b": still})
    assert isinstance(found, TooFewToTell)
    assert (found.ends, found.lives) == (0, 4)


def test_tests_reject_as_often_as_they_say() -> None:
    rng = np.random.default_rng(4)
    sets, seen = 400, {"logrank": 0, "likelihood_ratio": 0}
    for _ in range(sets):
        groups = {}
        for name in ("a", "b"):
            t = rng.weibull(1.5, 30)
            groups[name] = Lives.of(np.minimum(t, 1.2), np.where(t > 1.2, INF, t))
        found = compare(groups)
        assert isinstance(found, Compared)
        for name in seen:
            seen[name] += getattr(found, name).p < 0.1
    for count in seen.values():
        # Three standard errors of 0.1 in 400 sets, and 0.01 for what small groups cost.
        assert abs(count / sets - 0.1) < 0.045 + 0.01


@pytest.mark.parametrize(
    ("p", "words"), [(0.0001, "less than 1 in 1,000"), (0.0123, "1.2 %"), (0.5, "50 %")]
)
def test_words_of_a_chance(p: float, words: str) -> None:
    assert p_words(p) == words


def test_step_curves_need_exact_ends() -> None:
    looked = Lives.of([1, 2], [3, 2])
    for work in (lambda: kaplan_meier(looked), lambda: logrank({"a": looked, "b": looked})):
        with pytest.raises(NotStepwiseError):
            work()


def test_a_curve_of_running_lives_has_no_step() -> None:
    steps = kaplan_meier(Lives.of([1, 2], [INF, INF]))
    assert steps.time.size == 0


@pytest.mark.filterwarnings("error")
def test_a_share_of_which_rounding_alone_is_left_has_limits_without_a_warning() -> None:
    low, high = log_log_limits(np.array([0.5, 1e-16, 1 - 1e-16]), np.array([0.1, 1e-3, 1e-3]), 0.95)
    assert (low[1:] == [0, 0]).all()
    assert (high[1:] == [1, 1]).all()
    assert low[0] < 0.5 < high[0]


def test_nobody_left_can_not_be_told() -> None:
    steps = kaplan_meier(Lives.of([1, 2, 3], [1, 2, 3], [0.1, 0.2, 0.3]))
    assert steps.survival[-1] == 0
    assert np.isnan([steps.se[-1], steps.low[-1], steps.high[-1]]).all()
    assert (steps.low[:-1] < steps.survival[:-1]).all()


def test_counts_are_lives() -> None:
    once = kaplan_meier(Lives.of([1, 2, 4], [1, INF, 4], [3, 2, 5]))
    rows = [1] * 3 + [2] * 2 + [4] * 5
    many = kaplan_meier(Lives.of(rows, [INF if x == 2 else x for x in rows]))
    assert once.survival == pytest.approx(many.survival)
    assert once.se[:-1] == pytest.approx(many.se[:-1])
    a, b = Lives.of([1, 2], [1, 2], [3, 4]), Lives.of([2, 5], [2, INF], [2, 6])
    one = logrank({"a": a, "b": b})
    two = logrank(
        {
            "a": Lives.of([1] * 3 + [2] * 4, [1] * 3 + [2] * 4),
            "b": Lives.of([2] * 2 + [5] * 6, [2] * 2 + [INF] * 6),
        }
    )
    assert one.chi2 == pytest.approx(two.chi2)


def test_a_group_that_was_never_at_risk_takes_no_part() -> None:
    a, b = drawn(1, 30, 2, 100), drawn(2, 30, 2, 160)
    gone = Lives.of([1e-6], [INF])
    two, three = logrank({"a": a, "b": b}), logrank({"a": a, "b": b, "gone": gone})
    assert three.df == two.df
    assert three.chi2 == pytest.approx(two.chi2)


@pytest.mark.parametrize(
    "groups",
    [
        {},
        {"a": Lives.of([1], [1])},
        {"a": Lives.of([1], [INF]), "b": Lives.of([1], [INF])},
        {"a": Lives.of([1], [INF]), "b": Lives.of([2], [2])},
    ],
)
def test_no_two_groups_at_risk(groups: dict[str, Lives]) -> None:
    with pytest.raises(TooFewError):
        logrank(groups)


def test_one_way_to_end_is_the_step_curve() -> None:
    rng = np.random.default_rng(3)
    t = np.ceil(10 * rng.weibull(1.5, 50))
    end = np.where(rng.uniform(size=50) < 0.3, "", "lost")
    steps = kaplan_meier(Lives.of(t, np.where(end == "", INF, t)))
    found = cumulative_incidence(t, end.tolist())["lost"]
    assert found.survival == pytest.approx(steps.survival, abs=1e-14)
    kept = np.isfinite(steps.se)
    assert found.se[kept] == pytest.approx(steps.se[kept], abs=1e-12)
    assert found.low[kept] == pytest.approx(steps.low[kept], abs=1e-12)


def test_the_ways_to_end_and_still_running_add_up() -> None:
    rng = np.random.default_rng(6)
    t = np.ceil(20 * rng.weibull(1.5, 70))
    end = rng.choice(["", "lost", "worn", "changed"], 70)
    found = cumulative_incidence(t, end.tolist())
    assert list(found) == ["changed", "lost", "worn"]
    every = kaplan_meier(Lives.of(t, np.where(end == "", INF, t)))
    share = sum(1 - s.survival[-1] for s in found.values())
    assert 1 - share == pytest.approx(every.survival[-1], abs=1e-12)


def test_ways_to_end_that_can_not_be() -> None:
    with pytest.raises(BadShapeError):
        cumulative_incidence([1, 2], ["lost"])
    with pytest.raises(TooFewError):
        cumulative_incidence([1, 2], ["", ""])
    with pytest.raises(FitRefusedError):
        cumulative_incidence([-1, 2], ["lost", ""])
