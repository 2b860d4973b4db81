"""Metres in an arc minute: the ratio by hand, its range, and what can't be told."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pytest

from kit import Floor
from pitwise.records.shelf_tables import PlannedWork
from pitwise.services import imports, programs
from pitwise.services.metres import (
    MetresPerMinute,
    NoMetres,
    Ranged,
    count_for_metres,
    metres_per_minute,
    ratio_of_sums,
)

# 1 m in one minute of arc, and 4 m in two.
SLOW = b"G21\nM3\nG1 X1000 F1000\nM5\n"
FAST = b"G21\nM3\nG1 X4000 F2000\nM5\n"


def bring(floor: Floor, name: str, data: bytes) -> int:
    return imports.import_file(floor.shop, floor.tech, name, data, way="upload").program_ids[0]


def plan(floor: Floor, program: int, plates: int, torch: int | None = None) -> None:
    with floor.shop.database.write() as session:
        session.add(
            PlannedWork(
                key=floor.key(),
                torch_id=torch or floor.torch,
                program_id=program,
                plates=plates,
                first_day=dt.date(2031, 3, 4),
                last_day=dt.date(2031, 3, 8),
                at=floor.clock(),
            )
        )


def told(floor: Floor, torches: list[int] | None = None) -> MetresPerMinute | NoMetres:
    count_for_metres(floor.shop)
    with floor.shop.database.read() as session:
        return metres_per_minute(session, torches=torches)


def test_two_programs_by_hand() -> None:
    # R = (3*1 + 4) / (3*1 + 2) = 1.4. Residuals -1.2 and 1.2: variance 2 * 2.88 / 25.
    found = ratio_of_sums([1.0, 4.0], [1.0, 2.0], [3.0, 1.0])
    assert found.value == pytest.approx(1.4)
    # Student's t of one degree of freedom at 97.5 %: tan(0.475 pi), since it is Cauchy's.
    reach = math.tan(0.475 * math.pi) * 0.48 / 1.4
    assert found.low == pytest.approx(1.4 * math.exp(-reach))
    assert found.high == pytest.approx(1.4 * math.exp(reach))


def test_the_range_holds_the_truth_as_often_as_it_says() -> None:
    rng = np.random.default_rng(8)
    runs, held, width = 2000, 0, 10
    for _ in range(runs):
        minutes = rng.uniform(5, 40, width)
        lengths = minutes * 2.0 * rng.lognormal(-0.02, 0.2, width)
        found = ratio_of_sums(lengths.tolist(), minutes.tolist(), [1.0] * width)
        assert found.low is not None
        assert found.high is not None
        held += found.low <= 2.0 <= found.high
    # Four standard errors of a share near 0.95 are 0.019; small samples cost a few points.
    assert 0.91 < held / runs < 0.97


@pytest.mark.parametrize(
    ("lengths", "minutes", "weights"),
    [
        ([], [], []),
        ([1.0], [1.0, 2.0], [1.0]),
        ([-1.0], [1.0], [1.0]),
        ([1.0], [0.0], [1.0]),
        ([1.0], [1.0], [0.0]),
        ([math.nan], [1.0], [1.0]),
    ],
)
def test_numbers_that_cannot_be_are_refused(
    lengths: list[float], minutes: list[float], weights: list[float]
) -> None:
    with pytest.raises(ValueError, match="needed"):
        ratio_of_sums(lengths, minutes, weights)


def test_a_figure_turned_over_turns_its_range() -> None:
    assert Ranged(2.0, 1.0, 4.0).under(8.0) == Ranged(4.0, 2.0, 8.0)
    assert Ranged(2.0).under(8.0) == Ranged(4.0)
    assert Ranged(2.0, 1.0, 4.0).times(3.0) == Ranged(6.0, 3.0, 12.0)


def test_without_programs_nothing_is_told(lite: Floor) -> None:
    found = told(lite)
    assert isinstance(found, NoMetres)
    assert not found
    assert "no cut program" in found.reason
    bring(lite, "plates.csv", b"plate,starts,arc_minutes\nP1,40,12\n")
    found = told(lite)
    assert isinstance(found, NoMetres)
    assert "lists of plates tell no lengths" in found.mend


def test_unplanned_programs_count_once_and_planned_ones_by_plates(floor: Floor) -> None:
    slow, fast = bring(floor, "slow.nc", SLOW), bring(floor, "fast.nc", FAST)
    found = told(floor)
    assert isinstance(found, MetresPerMinute)
    assert found.per_minute.value == pytest.approx(5 / 3)
    assert (found.programs, found.weighed) == (2, "each-once")
    plan(floor, slow, 3)
    plan(floor, fast, 1)
    found = told(floor)
    assert isinstance(found, MetresPerMinute)
    assert found.per_minute.value == pytest.approx(1.4)
    assert found.per_minute.low is not None
    assert found.weighed == "planned"
    assert found.metres(10.0).value == pytest.approx(14.0)
    # The other torch has nothing planned: there each program is one plate.
    of_other = told(floor, [floor.other])
    assert isinstance(of_other, MetresPerMinute)
    assert of_other.weighed == "each-once"
    # A program taken off the lists still weighs where plates of it are planned.
    programs.withdraw(floor.shop, floor.tech, fast)
    assert told(floor) == found


def test_one_program_has_no_range_and_says_so(lite: Floor) -> None:
    bring(lite, "slow.nc", SLOW)
    bring(lite, "plates.csv", b"plate,starts,arc_minutes\nP1,40,12\n")
    found = told(lite)
    assert isinstance(found, MetresPerMinute)
    assert found.per_minute == Ranged(pytest.approx(1.0))  # type: ignore[arg-type]  # compares as a float
    assert "one program alone gives no range" in found.words
    assert found.left_out == 1
    assert "1 more tells no length" in found.words
