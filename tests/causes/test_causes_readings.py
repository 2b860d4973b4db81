"""What a reading says of a symptom."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from kit_causes import small_sheet
from scipy.stats import norm

from pitwise.causes.readings import Reading, log_ratio_beyond, reading_log_ratio
from pitwise.trade.units import UnitError

CAP = math.log(20)
FLOW = small_sheet().reading("flow_rate")


@given(st.floats(-50, 50), st.floats(-50, 50), st.floats(1e-3, 20))
def test_it_is_the_log_odds_capped(value: float, limit: float, u: float) -> None:
    z = (value - limit) / u
    wanted = max(-CAP, min(CAP, float(norm.logcdf(z) - norm.logsf(z))))
    got = log_ratio_beyond(value, limit, u, "high", CAP)
    assert got == pytest.approx(wanted, abs=1e-9)
    assert log_ratio_beyond(value, limit, u, "low", CAP) == pytest.approx(-got, abs=1e-12)


@given(st.floats(-1e6, 1e6), st.floats(0, 1e3))
def test_a_higher_reading_never_says_less(value: float, more: float) -> None:
    one, two = (log_ratio_beyond(v, 3.0, 0.5, "high", CAP) for v in (value, value + more))
    assert two >= one


def test_on_the_limit_it_says_nothing_and_without_doubt_all_it_may() -> None:
    assert log_ratio_beyond(4, 4, 0.2, "high", CAP) == 0
    assert log_ratio_beyond(4, 4, 0.0, "high", CAP) == 0
    assert log_ratio_beyond(4.1, 4, 0.0, "high", CAP) == CAP
    assert log_ratio_beyond(4.1, 4, 0.0, "low", CAP) == -CAP
    assert log_ratio_beyond(1e9, 4, 1e-9, "high", CAP) == CAP


def test_units_are_converted_first() -> None:
    feed = FLOW.feeds[0]
    one = reading_log_ratio(FLOW, Reading(3.9, "l/min"), feed, CAP)
    two = reading_log_ratio(FLOW, Reading(3.9 * 0.06, "m3/h"), feed, CAP)
    assert one is not None
    assert two == pytest.approx(one, abs=1e-9)
    assert one > 0


def test_no_range_says_nothing() -> None:
    kind = small_sheet().reading("dross_height")
    assert reading_log_ratio(kind, Reading(3, "mm"), kind.feeds[0], CAP) is None


def test_a_unit_of_something_else_is_refused() -> None:
    with pytest.raises(UnitError, match="measures"):
        reading_log_ratio(FLOW, Reading(3, "bar"), FLOW.feeds[0], CAP)
    with pytest.raises(ValueError, match="finite"):
        log_ratio_beyond(math.nan, 1, 1, "high", CAP)
