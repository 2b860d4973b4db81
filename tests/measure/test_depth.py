"""Depths as typed: every way a gauge or a thumb writes them, and what is refused."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pitwise.measure.depth import ReadingError, parse_depth

READ = [
    ("1.45 mm", "1.45", "mm"),
    ("1,45", "1.45", "mm"),
    ("57 thou", "57", "thou"),
    ("0.057 in", "0.057", "in"),
    ("1.45mm", "1.45", "mm"),
    (" 1.45  MM ", "1.45", "mm"),
    ("+01.45", "1.45", "mm"),
    (".057in", "0.057", "in"),
    ('0.057"', "0.057", "in"),
    ("57 mil", "57", "thou"),
    ("0.057 inches", "0.057", "in"),
    ("1.", "1", "mm"),
    ("0", "0", "mm"),
    ("１．４５", "1.45", "mm"),
    ("1.45 mm.", "1.45", "mm"),
    ("1\u00a0mm", "1", "mm"),
    ("57 Thou", "57", "thou"),
]


@pytest.mark.parametrize(("text", "value", "unit"), READ)
def test_reads(text: str, value: str, unit: str) -> None:
    depth = parse_depth(text)
    assert depth.value == Decimal(value)
    assert depth.unit == unit
    assert depth.text == text


REFUSED = [
    ("", "empty"),
    ("   ", "empty"),
    ("mm", "can't read"),
    ("-1.2", "negative"),
    ("−0.3 mm", "negative"),
    ("1.2.3", "can't read"),
    ("1 2", "can't read"),
    ("1.45 cm", "unknown unit 'cm'"),
    ("1/16 in", "fraction"),
    ("1e3", "can.t read"),
    ("nan", "can't read"),
    ("inf mm", "can't read"),
    ("1.45 mm mm", "can't read"),
    ("1,450.5", "can't read"),
    ("9" * 50, "too long"),
    ("DROP TABLE", "can't read"),
    ("1.45\x00", "unknown unit"),
    (".", "can't read"),
    ("٣", None),
    ("12345678 mm", "can't read"),
]


@pytest.mark.parametrize(("text", "why"), REFUSED)
def test_refuses_naming_the_mend(text: str, why: str | None) -> None:
    if why is None:
        assert parse_depth(text).value == 3
        return
    with pytest.raises(ReadingError, match=why) as caught:
        parse_depth(text)
    assert ":" in str(caught.value)


def test_a_bare_number_takes_the_gauges_unit() -> None:
    assert parse_depth("57", "thou").unit == "thou"
    assert parse_depth("57", "thou").bare
    assert not parse_depth("57 mm", "thou").bare


@given(st.decimals("0", "99", places=4))
def test_thou_inch_and_mm_of_one_depth_agree_exactly(inches: Decimal) -> None:
    as_in = parse_depth(f"{inches} in")
    as_thou = parse_depth(f"{inches * 1000} thou")
    assert as_in.mm == as_thou.mm == inches * Decimal("25.4")
    assert as_in.thou == as_thou.value


@given(st.text(max_size=60))
def test_any_text_is_a_depth_or_a_refusal(text: str) -> None:
    try:
        depth = parse_depth(text)
    except ReadingError:
        return
    assert depth.value >= 0
    assert depth.value.is_finite()
