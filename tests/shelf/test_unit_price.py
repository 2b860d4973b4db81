"""A price of one piece is written as it is reckoned with."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pitwise.shelf.unit_price import plain_price, price_text


@pytest.mark.parametrize(
    ("price", "plain", "text"),
    [
        (20, "20.00", "20.00"),
        (0.125, "0.125", "0.125"),
        (1234567.5, "1234567.50", "1\u202f234\u202f567.50"),
        (0.1, "0.10", "0.10"),
        (1e-7, "0.0000001", "0.0000001"),
        (0.0, "0.00", "0.00"),
    ],
)
def test_as_many_digits_as_it_holds_two_at_least(price: float, plain: str, text: str) -> None:
    assert plain_price(price) == plain
    assert price_text(price) == text


@given(st.floats(min_value=0, max_value=1e7, allow_nan=False))
def test_read_again_it_is_the_price(price: float) -> None:
    assert float(plain_price(price)) == price
    assert float(price_text(price).replace("\u202f", "")) == price


def test_what_is_no_number_is_no_price() -> None:
    with pytest.raises(ValueError, match="no price"):
        plain_price(float("nan"))
