"""Chances from dealing group labels again: every dealing counted, slopes, false alarms."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import pytest

from pitwise.wear.life.lives import Lives
from pitwise.wear.life.permuted import chance, logrank_scores, wanted, weibull_scores
from pitwise.wear.life.ratio import LifeRatio, life_ratio
from pitwise.wear.life.steps import kaplan_meier
from pitwise.wear.life.tell import Compared, compare, joined
from pitwise.wear.life.weibull import fit_weibull

INF = math.inf
MIXED = [
    Lives.of([5, 3, 4, 0, 2], [5, INF, 9, 7, 2], [1, 2, 1, 1, 1]),
    Lives.of([8, 6, 10, 3], [8, INF, 13, 6]),
]


def test_few_whole_lives_are_dealt_and_no_others() -> None:
    few = Lives.of(np.arange(1.0, 20), np.arange(1.0, 20))
    assert wanted([few, few])
    many = Lives.of(np.arange(1.0, 30), np.arange(1.0, 30))
    assert not wanted([many, many])
    assert wanted([few, few, few])
    assert not wanted([few, many, many])
    assert not wanted([Lives.of([1, 2], [1, 2], [1.5, 1]), few])
    assert not wanted([Lives.of([1], [INF], [1e7]), few])


def test_the_slopes_are_those_of_the_log_likelihood() -> None:
    """By differences of each life's own log-likelihood, from the survival function alone."""
    every = joined(MIXED)
    fit = fit_weibull(every)

    def each(log_scale: float, log_shape: float) -> np.ndarray:
        shape, scale = math.exp(log_shape), math.exp(log_scale)
        left = np.exp(-((every.lower / scale) ** shape)), np.exp(-((every.upper / scale) ** shape))
        between = np.log(np.where(every.exact, 1.0, left[0] - left[1]))
        z = every.lower / scale
        with np.errstate(divide="ignore"):
            exact = np.log(shape / scale * z ** (shape - 1)) - z**shape
        return np.where(every.exact, exact, between)

    at, e = (math.log(fit.scale), math.log(fit.shape)), 1e-6
    by_scale = (each(at[0] + e, at[1]) - each(at[0] - e, at[1])) / (2 * e)
    by_shape = (each(at[0], at[1] + e) - each(at[0], at[1] - e)) / (2 * e)
    scores = weibull_scores(every, fit)
    assert scores[:, 0] == pytest.approx(-by_scale / fit.shape, abs=1e-8)
    assert scores[:, 1] == pytest.approx(by_shape, abs=1e-8)
    assert every.count @ scores == pytest.approx([0, 0], abs=1e-10)


def test_log_rank_slopes_add_up_to_nothing_and_are_ends_less_expected() -> None:
    groups = [Lives.of([1, 3, 3], [1, 3, INF]), Lives.of([2, 4, 3], [2, 4, 3], [1, 2, 1])]
    scores = logrank_scores(groups)[:, 0]
    every = joined(groups)
    assert every.count @ scores == pytest.approx(0, abs=1e-12)
    steps = kaplan_meier(every)
    hazard = {t: (steps.ended / steps.at_risk)[steps.time <= t].sum() for t in every.lower}
    assert scores == pytest.approx(
        [e - hazard[t] for t, e in zip(every.lower, every.exact, strict=True)]
    )


def test_it_is_the_share_of_all_dealings() -> None:
    """All 126 ways to deal 4 of 9 lives, one after the other."""
    fit = fit_weibull(joined([Lives.of(g.lower, g.upper) for g in MIXED]))
    groups = [Lives.of(g.lower, g.upper) for g in MIXED]
    scores = np.concatenate([weibull_scores(g, fit) for g in groups])
    scores -= scores.mean(axis=0)
    inverse = np.linalg.inv(scores.T @ scores)

    def differ(own: tuple[int, ...]) -> float:
        one = scores[list(own)].sum(axis=0)
        return float(one @ inverse @ one)

    seen = differ((5, 6, 7, 8))
    every = [differ(own) for own in combinations(range(9), 4)]
    share = sum(x >= seen - 1e-9 for x in every) / len(every)
    got = chance(scores, groups)
    assert got == pytest.approx(share, abs=4 * math.sqrt(share * (1 - share) / 1999))
    assert chance(scores, groups) == got


def drawn(random: np.random.Generator, n: int, kind: str) -> Lives:
    t = 100 * random.weibull(2, n)
    if kind == "exact":
        return Lives.of(t, t)
    low = 40 * np.floor(t / 40)
    return Lives.of(low, low + 40)


@pytest.mark.parametrize(
    ("kind", "groups", "each", "most"),
    [("exact", 2, 3, 0.05), ("exact", 2, 5, 0.05), ("looks", 5, 5, 0.05)],
)
def test_groups_alike_are_called_different_as_seldom_as_said(
    kind: str, groups: int, each: int, most: float
) -> None:
    """150 sets; the chi-squared of the fits alone calls 19 of 100 different for 3 exact ends."""
    random = np.random.default_rng(8)
    sets, alarms, textbook = 150, 0, 0
    for _ in range(sets):
        found = compare({str(k): drawn(random, each, kind) for k in range(groups)})
        if not isinstance(found, Compared):
            continue
        ratio = found.likelihood_ratio
        assert ratio is not None
        assert ratio.way == "permuted"
        alarms += ratio.luck < most
        textbook += ratio.p < most
        if found.logrank:
            assert found.logrank.way == "permuted"
    assert alarms / sets < most + 3 * math.sqrt(most * (1 - most) / sets)
    if kind == "exact":
        assert alarms < textbook


def test_times_as_long_goes_by_dealing_with_few_ends() -> None:
    random = np.random.default_rng(3)
    one, other = drawn(random, 4, "exact"), drawn(random, 4, "exact")
    few = life_ratio(one, other)
    assert isinstance(few, LifeRatio)
    assert few.test.way == "permuted"
    assert few.test.luck == few.test.p_permuted
    many = life_ratio(drawn(random, 30, "exact"), drawn(random, 30, "exact"))
    assert isinstance(many, LifeRatio)
    assert (many.test.way, many.test.luck) == ("large-sample", many.test.p)
    # Far apart, all 70 dealings but two differ less.
    far = life_ratio(Lives.of(one.lower / 50, one.upper / 50), other)
    assert isinstance(far, LifeRatio)
    assert far.test.luck == pytest.approx(2 / 70, abs=0.015)
