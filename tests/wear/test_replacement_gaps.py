"""Gaps between looks that losses cut short: the habit is found again."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
import pytest
from lifelines import KaplanMeierFitter
from lifelines.utils import restricted_mean_survival_time

from pitwise.wear.replacement.gaps import Gap, NoUsualGap, UsualGaps, usual_gaps

# Every week or every other, about: starts between looks when none is cut short.
_HABIT = (*range(90, 131, 5), *range(190, 251, 10))
_MEAN = sum(_HABIT) / len(_HABIT)
_DEPTH_A_START, _CHANGE_MM = 0.0011, 1.0


def shop(random: np.random.Generator, looks: int) -> list[Gap]:
    """Look at electrodes by the habit until so many looks are made; deep pits are lost."""
    out: list[Gap] = []
    made = 0
    # What is left of a unit exponential when the hazard grows with depth (per start).
    left = random.standard_exponential()
    while len(out) < looks:
        due = int(random.choice(_HABIT))
        growth = 4.0 * _DEPTH_A_START
        base = 0.00015 * math.exp(growth * made)
        lost_after = math.log1p(left * growth / base) / growth
        if lost_after < due:
            out.append(Gap(max(1, round(lost_after)), cut_short=True))
            made, left = 0, random.standard_exponential()
            continue
        left -= base * math.expm1(growth * due) / growth
        out.append(Gap(due))
        made += due
        if made * _DEPTH_A_START >= _CHANGE_MM:
            made, left = 0, random.standard_exponential()
    return out


def told(gaps: Iterable[Gap]) -> UsualGaps:
    found = usual_gaps(list(gaps))
    assert isinstance(found, UsualGaps)
    return found


def test_one_long_record_gives_the_habit_where_whole_gaps_alone_do_not() -> None:
    gaps = shop(np.random.default_rng(11), 3000)
    found = told(gaps)
    whole = [g.starts for g in gaps if not g.cut_short]
    assert 0.05 < found.cut_short / len(gaps) < 0.3
    assert abs(found.mean - _MEAN) < found.se
    assert np.mean(whole) < _MEAN - 4 * found.se
    assert np.mean([g.starts for g in gaps]) < _MEAN - 4 * found.se


def test_over_many_shops_the_mean_is_right_and_its_standard_error_too() -> None:
    random = np.random.default_rng(12)
    off, old, held = [], [], []
    for _ in range(400):
        gaps = shop(random, 60)
        found = told(gaps)
        off.append(found.mean - _MEAN)
        old.append(np.mean([g.starts for g in gaps if not g.cut_short]) - _MEAN)
        assert found.low is not None
        assert found.high is not None
        held.append(found.low <= _MEAN <= found.high)
    se = np.std(off, ddof=1) / math.sqrt(len(off))
    assert abs(np.mean(off)) < 2.5 * se
    assert np.mean(old) < -8 * se
    # 90 % asked; standard error of the share 1.5 points.
    assert 0.85 <= np.mean(held) <= 0.95


def test_with_no_loss_they_are_the_gaps_themselves() -> None:
    starts = [97, 130, 97, 12, 400, 88]
    found = told(Gap(n) for n in starts)
    assert found.starts == tuple(sorted(starts))
    assert found.mean == pytest.approx(np.mean(starts))
    assert found.se == pytest.approx(np.std(starts, ddof=1) / math.sqrt(len(starts)))
    assert (found.whole, found.cut_short, found.beyond) == (6, 0, 0.0)


def test_the_mean_is_a_peers() -> None:
    gaps = shop(np.random.default_rng(13), 80)
    starts = [g.starts for g in gaps]
    peer = KaplanMeierFitter().fit(starts, [not g.cut_short for g in gaps])
    found = told(gaps)
    assert found.mean == pytest.approx(restricted_mean_survival_time(peer, t=max(starts)), rel=1e-9)
    # Rounded to whole starts, the alike ones keep it.
    assert np.mean(found.starts) == pytest.approx(found.mean, abs=0.5)


def test_a_loss_of_the_longest_gap_makes_the_mean_a_least_one() -> None:
    # By hand: S falls to 2/3 at 100, half of that is left at 120, the rest outlasts 150.
    found = told([Gap(100), Gap(120), Gap(150, cut_short=True)])
    assert found.mean == pytest.approx((100 + 120 + 150) / 3)
    assert found.beyond == pytest.approx(1 / 3)
    assert found.starts == (100, 120, 150)


def test_a_short_gap_cut_short_says_nearly_nothing() -> None:
    found = told([Gap(1, cut_short=True), Gap(100), Gap(120)])
    assert found.mean == pytest.approx(110)
    assert found.starts == (100, 110, 120)


def test_one_whole_gap_has_no_range_and_none_is_refused() -> None:
    found = told([Gap(100), Gap(40, cut_short=True)])
    assert found.low is None
    assert found.high is None
    for gaps, reason in (([], "No starts"), ([Gap(40, cut_short=True)], "came of a loss")):
        none = usual_gaps(gaps)
        assert isinstance(none, NoUsualGap)
        assert not none
        assert reason in none.reason
        assert none.mend
