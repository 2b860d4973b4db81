"""What a pit's reading says, against adaptive quadrature and by its properties."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from pitwise.causes.pit import Faster, pit_log_ratio

FASTER = Faster(1.8, 0.35)


def _by_quadrature(d: float, m: float, s: float, start: float = 0.0) -> float:
    prior = stats.norm(math.log(1.8), 0.35)

    def term(z: float) -> float:
        return math.exp(
            stats.norm.logpdf(d, start + math.exp(z) * (m - start), s)
            - stats.norm.logpdf(d, m, s)
            + prior.logpdf(z)
        )

    value, _ = integrate.quad(term, 0, math.log(1.8) + 12 * 0.35, epsabs=0, epsrel=1e-11, limit=400)
    return math.log(value / prior.sf(0))


@pytest.mark.parametrize(
    ("d", "m", "s", "start"),
    [
        (1.0, 0.8, 0.15, 0.0),
        (0.8, 0.8, 0.15, 0.0),
        (0.4, 0.8, 0.15, 0.0),
        (1.4, 0.8, 0.05, 0.0),
        (1.3, 0.9, 0.1, 0.5),
        (1.1, 1.0, 0.4, 0.0),
    ],
)
def test_it_is_the_integral(d: float, m: float, s: float, start: float) -> None:
    got = pit_log_ratio(d, m, s, FASTER, from_mm=start)
    assert got == pytest.approx(_by_quadrature(d, m, s, start), abs=1e-8)


@settings(max_examples=200, deadline=None)
@given(
    st.floats(0.02, 3.0),
    st.floats(0.005, 1.0),
    st.floats(-0.5, 5.0),
    st.floats(0, 2.0),
    st.floats(0.8, 4.0),
    st.floats(0.05, 1.0),
)
def test_a_deeper_reading_never_speaks_less_for_it(
    m: float, s: float, d: float, step: float, factor: float, log_sd: float
) -> None:
    faster = Faster(factor, log_sd)
    one, two = pit_log_ratio(d, m, s, faster), pit_log_ratio(d + step, m, s, faster)
    assert math.isfinite(one)
    assert two >= one - 1e-7 * max(1.0, abs(one))


@settings(max_examples=100, deadline=None)
@given(st.floats(0.05, 3.0), st.floats(0.005, 1.0), st.floats(0, 3.0))
def test_at_or_below_the_forecast_it_is_against(m: float, s: float, short: float) -> None:
    assert pit_log_ratio(m - short, m, s, FASTER) < 0


def test_a_pit_far_too_shallow_is_evidence_against_only() -> None:
    assert pit_log_ratio(0.0, 2.0, 0.1, FASTER) < -5
    assert pit_log_ratio(-0.3, 2.0, 0.1, FASTER) < pit_log_ratio(0.0, 2.0, 0.1, FASTER)


def test_a_pit_nearly_twice_as_deep_as_forecast_is_evidence_for() -> None:
    assert pit_log_ratio(1.8, 1.0, 0.15, FASTER) > math.log(20)


def test_a_vague_forecast_says_little() -> None:
    assert abs(pit_log_ratio(1.5, 1.0, 5.0, FASTER)) < 0.2


def test_no_growth_expected_says_nothing() -> None:
    assert pit_log_ratio(0.5, 0.0, 0.1, FASTER) == 0.0
    assert pit_log_ratio(0.9, 0.8, 0.1, FASTER, from_mm=0.8) == 0.0


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_numbers_that_are_none_are_refused(bad: float) -> None:
    with pytest.raises(ValueError):
        pit_log_ratio(1.0, 1.0, bad, FASTER)
    with pytest.raises(ValueError):
        Faster(bad, 0.3)
    with pytest.raises(ValueError):
        Faster(1.8, bad)
