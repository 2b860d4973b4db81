"""Usual work by the counters."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pitwise.shelf.usual import Stretch, usual_work


def test_nothing_seen_tells_nothing() -> None:
    assert usual_work([]) is None
    assert usual_work([Stretch(4, 400, 100, 50)]) is None


def test_one_stretch_tells_a_level_and_a_spread_that_is_assumed() -> None:
    found = usual_work([Stretch(4, 0, 400, 200)])
    assert found is not None
    assert (found.starts_per_day, found.minutes_per_start) == (100, 0.5)
    assert found.day_sd == 50
    assert found.level_se == pytest.approx(25)


def test_only_the_last_28_days_make_the_level() -> None:
    old = [Stretch(7, 28 + 7 * k, 70, 7) for k in range(4)]
    new = [Stretch(7, 7 * k, 700, 350) for k in range(4)]
    found = usual_work([*old, *new])
    assert found is not None
    assert found.starts_per_day == 100
    assert found.days_seen == 28
    # Even within each month: no spread from day to day.
    assert found.day_sd == 0


def test_work_that_stood_still_is_told_by_its_last_stretch() -> None:
    found = usual_work([Stretch(5, 60, 500, 250), Stretch(5, 40, 100, 50)])
    assert found is not None
    assert found.starts_per_day == 20


def test_a_torch_without_starts_has_no_minutes_each() -> None:
    found = usual_work([Stretch(5, 5, 0, 0), Stretch(5, 0, 0, 0)])
    assert found is not None
    assert (found.starts_per_day, found.minutes_per_start, found.day_sd) == (0, 0, 0)


def test_spread_and_error_are_those_of_the_days() -> None:
    # Independent days of SD 30: an estimate from 26 weeks, and a level good to 30/√28.
    random = np.random.default_rng(5)
    sds, misses, errors = [], [], []
    for _ in range(300):
        lengths = random.integers(2, 7, 45)
        ago, own = 0, []
        for days in lengths:
            own.append(Stretch(float(days), float(ago), random.normal(100, 30, days).sum(), 50.0))
            ago += int(days)
        found = usual_work(own[::-1])
        assert found is not None
        sds.append(found.day_sd)
        misses.append(found.starts_per_day - 100)
        errors.append(found.level_se)
    assert np.mean(sds) == pytest.approx(30, rel=0.05)
    assert np.std(misses) == pytest.approx(30 / math.sqrt(28), rel=0.15)
    # The month to come may differ as months did by chance: said a little wide, never narrow.
    assert 0.95 < np.sqrt(np.mean(np.square(errors))) / np.std(misses) < 1.8


def test_work_that_changes_by_the_month_is_less_well_known() -> None:
    even = [Stretch(7, 7 * k, 700, 350) for k in range(24)]
    uneven = [Stretch(7, 7 * k, 700 * (1.5 if k // 4 % 2 else 1), 350) for k in range(24)]
    steady, moving = usual_work(even[::-1]), usual_work(uneven[::-1])
    assert steady is not None
    assert moving is not None
    assert steady.level_se == 0
    # Months of 100 and 150 a day: SD 27, twice.
    assert moving.level_se == pytest.approx(math.sqrt(2) * np.std([100, 150] * 3, ddof=1))
