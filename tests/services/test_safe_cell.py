"""No cell of a CSV file is run as a formula by a program for tables."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pitwise.services.study_files import safe_cell

PLAIN = ("", "nozzle 300", "300 = a nozzle", "\u200bnozzle", "می‌خواهم", " x")
SIGNS = "=+-@\uff1d\uff0b\uff0d\uff20"
UNSEEN = ("", " ", "\u200b", "\u200d", "\ufeff", "\u00ad", "\u2060", "\u00a0", "\n", "\u2003\u200b")


@pytest.mark.parametrize("before", UNSEEN)
@pytest.mark.parametrize("sign", SIGNS)
def test_a_sign_of_a_formula_is_found_however_it_is_hidden(before: str, sign: str) -> None:
    text = f"{before}{sign}1+1"
    assert safe_cell(text) == f"'{text}"


@pytest.mark.parametrize("text", ["\tnozzle", "\rnozzle", "\nnozzle"])
def test_a_cell_begins_with_no_tab_or_break(text: str) -> None:
    assert safe_cell(text) == f"'{text}"


@pytest.mark.parametrize("text", PLAIN)
def test_other_texts_stay_as_they_are(text: str) -> None:
    assert safe_cell(text) == text


@given(st.text(max_size=20))
def test_nothing_is_lost_and_nothing_runs(text: str) -> None:
    cell = safe_cell(text)
    assert cell in (text, f"'{text}")
    seen = "".join(c for c in cell if unicodedata.category(c)[0] not in "ZCM")
    assert not unicodedata.normalize("NFKC", seen[:1]).startswith(("=", "+", "-", "@"))
