"""What people type: trimmed, refused by field, and never able to turn the text round it."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pitwise.services.errors import ServiceError
from pitwise.services.fields import clean_text

BREAKS = ("\n", "\r\n", " \n\n ", "\t", "\u2028", "\u2029", "\x85", "\v")
MARKS = "\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"


@pytest.mark.parametrize("mark", MARKS)
def test_a_direction_mark_is_taken_out(mark: str) -> None:
    assert clean_text("name", f"Ada{mark} gpj{mark}") == "Ada gpj"
    with pytest.raises(ServiceError, match="is empty"):
        clean_text("name", f" {mark} ")


def test_names_of_every_script_stay() -> None:
    # A joiner and a non-joiner belong to how these are written.
    for name in ("नेहा क्‍ष", "می‌خواهم", "דָּוִד", "Lin Ödegård", "日本"):
        assert clean_text("name", name) == unicodedata.normalize("NFC", name)


@given(st.text(max_size=60))
def test_what_is_kept_is_kept_the_same_the_second_time(text: str) -> None:
    try:
        kept = clean_text("name", text)
    except ServiceError:
        return
    assert clean_text("name", kept) == kept
    assert not set(kept) & set(MARKS)


@pytest.mark.parametrize("between", BREAKS)
def test_a_name_is_one_line_and_a_note_may_have_more(between: str) -> None:
    assert clean_text("name", f"nozzle{between}300") == "nozzle 300"
    note = "worn early\nsee the second torch"
    assert clean_text("note", note, lines=True) == note
    # Spaces that somebody typed stay as they are.
    assert clean_text("name", "nozzle  300") == "nozzle  300"


@given(st.text(max_size=60))
def test_a_name_never_has_a_second_line(text: str) -> None:
    try:
        kept = clean_text("name", text)
    except ServiceError:
        return
    assert len(kept.splitlines()) == 1
    assert "\t" not in kept
