"""Counters: totals carried on, resets bridged, slips questioned."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pitwise.wear.use import CounterReading, advance, use_slips

FIRST = CounterReading(1000, 300.0, 0, 0.0)


def test_the_first_reading_starts_the_totals_at_zero() -> None:
    assert advance(None, 1000, 300.0, reset=False) == FIRST


def test_totals_grow_by_the_difference() -> None:
    assert advance(FIRST, 1250, 380.5, reset=False) == CounterReading(1250, 380.5, 250, 80.5)


def test_a_reset_counts_what_it_shows_since() -> None:
    assert advance(FIRST, 40, 12.0, reset=True) == CounterReading(40, 12.0, 40, 12.0)


def test_what_was_not_read_leaves_its_total() -> None:
    assert advance(FIRST, None, 310.0, reset=False) == CounterReading(1000, 310.0, 0, 10.0)
    assert advance(FIRST, None, None, reset=True) == CounterReading(0, 0.0, 0, 0.0)


def test_backwards_without_a_reset_is_refused() -> None:
    with pytest.raises(ValueError, match="backwards"):
        advance(FIRST, 999, 310.0, reset=False)


@given(st.lists(st.tuples(st.integers(0, 500), st.booleans()), max_size=30))
def test_totals_never_fall_and_sum_the_steps(steps: list[tuple[int, bool]]) -> None:
    reading, expected = FIRST, 0
    for step, reset in steps:
        shown = step if reset else (reading.starts or 0) + step
        reading = advance(reading, shown, None, reset=reset)
        expected += step
        assert reading.total_starts == expected


def codes(
    starts: int | None, minutes: float | None, elapsed: float, reset: bool = False
) -> list[str]:
    return [s.code for s in use_slips(FIRST, starts, minutes, reset=reset, elapsed_minutes=elapsed)]


def test_slips() -> None:
    assert codes(900, None, 6000) == ["counter-backwards"]
    assert codes(None, 299.0, 6000) == ["counter-backwards"]
    assert codes(90, 20.0, 6000, reset=True) == []
    assert codes(1900, 340.0, 20) == ["more-than-the-clock"]
    assert codes(1010, 400.0, 60) == ["more-than-the-clock"]
    assert codes(1100, 340.0, 60) == []
    assert use_slips(None, 10, 5.0, reset=False, elapsed_minutes=1) == ()
