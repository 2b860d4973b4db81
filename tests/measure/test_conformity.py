"""The plain rule first; uncertainty only tightens; repeats average."""

from __future__ import annotations

import math
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pitwise.measure.conformity import Conformity, judge, probability_over
from pitwise.measure.depth import parse_depth
from pitwise.measure.slips import find_slips
from pitwise.trade import base_sheet
from pitwise.trade.model import Limit, ProcessSelector

ORDER = ["keep", "recheck", "replace"]


def limit(amps: float | None = None, material: str | None = None) -> Limit:
    found = base_sheet().limit_for(
        "electrode", "pit-depth", ProcessSelector(amps=amps, material=material)
    )
    assert found is not None
    return found


GENERAL, HEAVY = limit(), limit(300, "mild steel")


def verdict(texts: list[str], where: Limit = GENERAL, u: float | None = 0.03) -> Conformity:
    return judge([parse_depth(t) for t in texts], where, u, 0.05)


@pytest.mark.parametrize(
    ("text", "where", "expected"),
    [
        ("1.00 mm", GENERAL, "keep"),
        ("1.01 mm", GENERAL, "replace"),
        ("40 thou", GENERAL, "keep"),
        ("41 thou", GENERAL, "replace"),
        ("0.040 in", GENERAL, "keep"),
        ("0.0401 in", GENERAL, "replace"),
        ("1.49 mm", HEAVY, "keep"),
        ("1.50 mm", HEAVY, "replace"),
        ("59 thou", HEAVY, "keep"),
        ("60 thou", HEAVY, "replace"),
        ("0.0599 in", HEAVY, "keep"),
        ("0.060 in", HEAVY, "replace"),
    ],
)
def test_each_limit_has_its_own_comparison_in_the_readings_own_unit(
    text: str, where: Limit, expected: str
) -> None:
    assert verdict([text], where, None).verdict == expected
    assert verdict([text], where, 0.0).verdict == expected


def test_recheck_then_replace_and_the_means_u_falls_with_root_n() -> None:
    one = verdict(["1.46"], HEAVY)
    assert (one.verdict, one.rule) == ("recheck", "may-be-over")
    two = verdict(["1.46", "1.46"], HEAVY)
    assert (two.verdict, two.rule) == ("keep", "within")
    assert two.u_mean_mm == pytest.approx(0.03 / math.sqrt(2), rel=1e-15)
    still = verdict(["1.48", "1.48"], HEAVY)
    assert (still.verdict, still.rule) == ("replace", "still-may-be-over")


def test_mixed_units_are_judged_in_both_and_the_stricter_holds() -> None:
    # 1.5 mm is 59.06 thou: alone in thou it would pass, in mm it meets the limit.
    mixed = verdict(["1.50 mm", "59.06 thou"], HEAVY, None)
    assert mixed.verdict == "replace"


@pytest.mark.parametrize(
    ("z", "expected"),
    # Standard normal upper tail, Abramowitz & Stegun (1964), table 26.1 (values from memory,
    # recomputed by scipy.stats.norm.sf in tests/published).
    [(0.0, 0.5), (1.0, 0.158655253931457), (1.644853626951472, 0.05), (3.0, 0.001349898031630)],
)
def test_probability_over_is_the_normal_tail(z: float, expected: float) -> None:
    assert probability_over(1.0 - z * 0.02, 1.0, 0.02) == pytest.approx(expected, rel=1e-9)


def test_probability_without_uncertainty_is_the_plain_rule() -> None:
    assert probability_over(1.0, 1.0, 0.0) == 0.0
    assert probability_over(1.0001, 1.0, 0.0) == 1.0
    with pytest.raises(ValueError, match="negative"):
        probability_over(1.0, 1.0, -0.1)


depths = st.integers(0, 400).map(lambda n: Decimal(n) / 100)
limits = st.sampled_from([GENERAL, HEAVY])


@given(depths, depths, limits, st.floats(0, 0.5), st.integers(1, 4))
def test_a_deeper_pit_never_loosens(a: Decimal, b: Decimal, where: Limit, u: float, n: int) -> None:
    low, high = sorted((a, b))
    first = verdict([f"{low} mm"] * n, where, u)
    second = verdict([f"{high} mm"] * n, where, u)
    assert ORDER.index(second.verdict) >= ORDER.index(first.verdict)


@given(depths, limits, st.floats(0, 0.5), st.floats(0, 0.5), st.integers(1, 4))
def test_a_larger_u_never_loosens(depth: Decimal, where: Limit, u: float, v: float, n: int) -> None:
    small, large = sorted((u, v))
    first = verdict([f"{depth} mm"] * n, where, small)
    second = verdict([f"{depth} mm"] * n, where, large)
    plain = verdict([f"{depth} mm"] * n, where, None)
    assert ORDER.index(second.verdict) >= ORDER.index(first.verdict)
    assert ORDER.index(first.verdict) >= ORDER.index(plain.verdict)


@given(st.integers(0, 4000), limits)
def test_mm_and_thou_differ_only_within_the_quoted_pairs_rounding(
    tenths_of_thou: int, where: Limit
) -> None:
    thou = Decimal(tenths_of_thou) / 10
    mm = thou * Decimal("0.0254")
    in_thou, in_mm = verdict([f"{thou} thou"], where, None), verdict([f"{mm} mm"], where, None)
    if in_thou.verdict != in_mm.verdict:
        quoted = sorted(
            f.value * (1 if f.unit == "mm" else Decimal("0.0254")) for f in where.figures
        )
        assert quoted[0] <= mm <= quoted[1]


@given(st.permutations(["1.40", "1.44", "57 thou", "0.0561 in"]))
def test_the_order_of_repeats_does_not_matter(texts: list[str]) -> None:
    assert verdict(texts, HEAVY) == verdict(sorted(texts), HEAVY)


def slips(*texts: str, last: str | None = None, u: float | None = 0.03) -> dict[str, bool]:
    found = find_slips(
        [parse_depth(t) for t in texts],
        last=parse_depth(last) if last else None,
        u_mm=u,
        deepest_mm=Decimal(4),
        coverage=2.0,
    )
    return {s.code: s.holds for s in found}


@pytest.mark.parametrize(
    ("texts", "given_", "expected"),
    [
        (["57 mm"], {}, {"unit-slip": False}),
        (["57"], {}, {"unit-slip": False}),
        (["1.45 in"], {}, {"unit-slip": False}),
        (["1.45 thou"], {}, {"unit-slip": True}),
        (["0.057"], {}, {"unit-slip": True}),
        (["0.057 mm"], {"last": "1.30 mm"}, {"unit-slip": True, "shallower-than-before": True}),
        (["0.05 mm"], {}, {}),
        (["2 thou"], {}, {}),
        (["38.5 thou"], {}, {}),
        (["0"], {}, {}),
        (["5000 mm"], {}, {"deeper-than-emitter": False}),
        (["1.00"], {"last": "1.10 mm"}, {"shallower-than-before": True}),
        (["1.05"], {"last": "1.10 mm"}, {}),
        (["1.20"], {"last": "1.10 mm"}, {}),
        (["1.09"], {"last": "1.10 mm", "u": None}, {"shallower-than-before": True}),
        (["0.50", "0.80"], {}, {"repeats-disagree": True}),
        (["0.50", "0.55"], {}, {}),
    ],
)
def test_slips_are_questioned(
    texts: list[str], given_: dict[str, Any], expected: dict[str, bool]
) -> None:
    assert slips(*texts, **given_) == expected
