"""The habit read from looks: what is known is found, too few are said to be."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from pitwise.wear.replacement.habit import LEAST_CHANGES, HabitFit, TooFewChanges, fit_habit


@pytest.mark.parametrize(("depth", "scatter"), [(0.9, 0.03), (0.7, 0.15)])
def test_a_known_habit_is_found(depth: float, scatter: float) -> None:
    random = np.random.default_rng(4)
    read = random.uniform(0.1, 1.3, 800)
    done = random.uniform(size=800) < ndtr((read - depth) / scatter)
    found = fit_habit(read, done)
    assert isinstance(found, HabitFit)
    assert found.depth_mm == pytest.approx(depth, abs=0.03)
    assert found.scatter_mm == pytest.approx(scatter, rel=0.35)
    assert (found.changed, found.kept) == (int(done.sum()), int((~done).sum()))


def test_a_clean_cut_lies_between_kept_and_changed() -> None:
    found = fit_habit([0.2, 0.5, 0.8, 1.02, 1.05, 1.1, 0.85], [0, 0, 0, 1, 1, 1, 0])
    assert isinstance(found, HabitFit)
    assert 0.85 < found.depth_mm < 1.02
    assert found.scatter_mm < 0.1


def test_changed_at_every_look_still_gives_a_depth_below_them() -> None:
    found = fit_habit([0.5, 0.6, 0.55, 0.7], [True] * 4)
    assert isinstance(found, HabitFit)
    assert found.depth_mm < 0.6


@pytest.mark.parametrize("changes", range(LEAST_CHANGES))
def test_too_few_changes_say_so(changes: int) -> None:
    found = fit_habit([0.3, 0.5, 1.0], [k < changes for k in range(3)])
    assert isinstance(found, TooFewChanges)
    assert not found
    assert found.changed == changes
    assert "too few to tell" in found.reason
    assert found.mend


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="finite"):
        fit_habit([0.2, float("nan")], [False, True])
    with pytest.raises(ValueError, match="each look"):
        fit_habit([0.2], [False, True])
