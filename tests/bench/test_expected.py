"""The wear forecast as the prior of a pit's conformity, and the questions it asks."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import norm

from pitwise.bench.case import CaseError, parse_case
from pitwise.bench.decide import Inspection, PartLook, decide
from pitwise.measure.conformity import (
    Expected,
    combined_probability_over,
    probability_over,
)
from pitwise.measure.depth import Depth, parse_depth
from pitwise.measure.slips import find_slips
from pitwise.trade import base_sheet

SHEET = base_sheet()
STRICT = ("keep", "recheck", "replace")


def electrode(pit: str, expected: Expected | None, u: float | None = 0.03) -> tuple[str, list[str]]:
    look = PartLook(looked=True, pit=(parse_depth(pit),), expected=expected)
    decision = decide(SHEET, Inspection({"electrode": look}, gauge_u_mm=u))
    return decision.parts["electrode"].action, [f.code for f in decision.flags]


def test_combined_probability_is_the_integral_of_the_posterior() -> None:
    depth, limit, u, mean, sd = 0.96, 1.0, 0.04, 0.93, 0.05

    def joint(x: float) -> float:
        return float(norm.pdf(depth, x, u) * norm.pdf(x, mean, sd))

    over = quad(joint, limit, limit + 1)[0] / quad(joint, 0, limit + 1)[0]
    found, agree = combined_probability_over(depth, limit, u, mean, sd)
    assert agree
    assert found == pytest.approx(over, abs=1e-8)


def test_a_wide_forecast_says_nothing() -> None:
    alone = probability_over(0.95, 1.0, 0.04)
    assert combined_probability_over(0.95, 1.0, 0.04, 0.95, 1e5)[0] == pytest.approx(alone)


def test_a_forecast_without_spread_is_refused() -> None:
    with pytest.raises(ValueError, match="above zero"):
        combined_probability_over(0.95, 1.0, 0.04, 0.9, 0.0)


finite = st.floats(0.05, 1.5)
spread = st.floats(0.005, 0.3)


@given(finite, spread, finite, spread)
def test_a_forecast_that_missed_may_only_tighten(
    depth: float, u: float, mean: float, sd: float
) -> None:
    found, agree = combined_probability_over(depth, 1.0, u, mean, sd)
    assert 0 <= found <= 1
    assert agree == (abs(depth - mean) <= 2 * math.hypot(u, sd))
    if not agree:
        assert found >= probability_over(depth, 1.0, u)


@given(finite, finite, spread, finite, spread)
def test_a_deeper_reading_never_loosens_the_chance_where_both_agree_or_both_do_not(
    one: float, two: float, u: float, mean: float, sd: float
) -> None:
    shallow, deep = sorted((one, two))
    a, fits_a = combined_probability_over(shallow, 1.0, u, mean, sd)
    b, fits_b = combined_probability_over(deep, 1.0, u, mean, sd)
    if fits_a == fits_b:
        assert a <= b + 1e-12


@given(finite, finite, spread, finite, spread)
def test_a_deeper_reading_never_loosens_the_action(
    one: float, two: float, u: float, mean: float, sd: float
) -> None:
    shallow, deep = sorted((round(one, 3), round(two, 3)))
    # Questions aside: those are asked, and answered, by people.
    expected = Expected(mean, sd, -9.0, 9.0)
    a, _ = electrode(f"{shallow} mm", expected, u)
    b, _ = electrode(f"{deep} mm", expected, u)
    assert STRICT.index(a) <= STRICT.index(b)


@given(finite, spread, finite, spread)
def test_the_plain_rule_stands_against_any_forecast(
    above: float, u: float, mean: float, sd: float
) -> None:
    action, _ = electrode(f"{1.001 + above:.3f} mm", Expected(mean, sd, -9.0, 9.0), u)
    assert action == "replace"


def test_a_trusted_forecast_settles_a_doubtful_reading_and_says_so() -> None:
    assert electrode("0.96 mm", None)[0] == "recheck"
    action, flags = electrode("0.96 mm", Expected(0.88, 0.04, 0.76, 1.0))
    assert action == "keep"
    assert not flags
    look = PartLook(
        looked=True, pit=(parse_depth("0.96 mm"),), expected=Expected(0.88, 0.04, 0.76, 1.0)
    )
    decision = decide(SHEET, Inspection({"electrode": look}, gauge_u_mm=0.03))
    text = decision.parts["electrode"].because[0].text
    assert "wear forecast of 0.88 mm ± 0.04 mm" in text


def test_a_forecast_over_the_limit_tightens_a_reading_below_it() -> None:
    assert electrode("0.90 mm", None)[0] == "keep"
    assert electrode("0.90 mm", Expected(1.1, 0.15, 0.7, 1.5), 0.06)[0] == "recheck"


def test_without_a_gauge_uncertainty_the_plain_rule_alone_decides() -> None:
    action, flags = electrode("0.90 mm", Expected(1.1, 0.15, 0.7, 1.5), None)
    assert action == "keep"
    assert "no-gauge-uncertainty" in flags


def test_far_deeper_than_expected_is_asked_and_does_not_hold() -> None:
    action, flags = electrode("0.80 mm", Expected(0.4, 0.05, 0.26, 0.56))
    assert action == "keep"
    assert flags == ["deeper-than-expected"]


def test_far_shallower_than_expected_holds_until_answered() -> None:
    action, flags = electrode("0.20 mm", Expected(0.7, 0.06, 0.5, 0.9))
    assert action == "recheck"
    assert flags == ["shallower-than-expected"]
    look = PartLook(
        looked=True, pit=(parse_depth("0.20 mm"),), expected=Expected(0.7, 0.06, 0.5, 0.9)
    )
    answered = Inspection(
        {"electrode": look}, gauge_u_mm=0.03, answered=frozenset({"shallower-than-expected"})
    )
    assert decide(SHEET, answered).parts["electrode"].action == "keep"


def test_one_question_at_a_time() -> None:
    slips = find_slips(
        [Depth(Decimal("0.20"), "mm", "0.20 mm")],
        last=Depth(Decimal("0.60"), "mm", "0.60 mm"),
        u_mm=0.03,
        deepest_mm=Decimal("4.0"),
        coverage=2.0,
        expected=Expected(0.7, 0.06, 0.5, 0.9),
    )
    assert [s.code for s in slips] == ["shallower-than-before"]


def test_a_case_file_may_carry_the_forecast() -> None:
    case = parse_case(
        SHEET,
        '{"gauge": {"u_mm": 0.03}, "parts": {"electrode": {"looked": true, "pit_depth": "0.96 mm",'
        ' "forecast": {"mean_mm": 0.88, "sd_mm": 0.04, "low_mm": 0.76, "high_mm": 1.0}}}}',
    )
    plain = decide(SHEET, case).plain()
    electrode = plain["parts"]["electrode"]
    assert electrode["action"] == "keep"
    assert electrode["reading"]["forecast"]["agrees"] is True


@pytest.mark.parametrize(
    ("forecast", "place"),
    [
        ('{"mean_mm": 0.8}', "sd_mm"),
        ('{"mean_mm": 0.8, "sd_mm": 0, "low_mm": 0.7, "high_mm": 1}', "sd_mm"),
        ('{"mean_mm": 0.8, "sd_mm": 0.1, "low_mm": 0.9, "high_mm": 1}', "forecast"),
        ('{"mean_mm": "0.8", "sd_mm": 0.1, "low_mm": 0.9, "high_mm": 1}', "mean_mm"),
        ('{"mean_mm": 0.8, "sd_mm": 0.1, "low_mm": 0.7, "high_mm": 1e999}', "high_mm"),
        ('{"mean": 0.8}', "forecast.mean"),
        ("[1]", "forecast"),
    ],
)
def test_a_bad_forecast_is_refused_at_its_place(forecast: str, place: str) -> None:
    with pytest.raises(CaseError) as caught:
        parse_case(
            SHEET, '{"parts": {"electrode": {"looked": true, "forecast": ' + forecast + "}}}"
        )
    assert place in caught.value.place
