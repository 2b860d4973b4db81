"""Tests of what the packaged fonts can print."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from pitwise.reports.glyphs import FONTS, coverage, font_files, spelled


def test_the_fonts_are_there() -> None:
    assert [p.relative_to(FONTS).as_posix() for p in font_files()] == [
        "AtkinsonHyperlegibleNext-400.ttf",
        "AtkinsonHyperlegibleNext-700.ttf",
        "other-scripts/NotoSans-400.ttf",
        "other-scripts/NotoSans-700.ttf",
    ]


def test_coverage_reads_the_character_map() -> None:
    own, other = coverage(font_files()[0]), coverage(font_files()[2])
    assert set(range(0x20, 0x7F)) <= own
    assert {ord(c) for c in "äöüßŁŇ±–’μ"} <= own
    assert ord("Ж") not in own
    assert {ord(c) for c in "ЖжΣλ№"} <= other
    assert 0x6F22 not in own | other


@pytest.mark.parametrize(
    ("text", "printed"),
    [
        ("#panic() *x*", "#panic() *x*"),
        ("Łukasz Ňuñez, Стол, τραπέζι", "Łukasz Ňuñez, Стол, τραπέζι"),
        ("漢字 x", "[U+6F22 U+5B57] x"),
        ("🔥", "[U+1F525]"),
        ("a\u202eb", "a[U+202E]b"),
        ("a\u200bb", "a[U+200B]b"),
        ("a\x00b", "a[U+0000]b"),
        ("\ufeff", "[U+FEFF]"),
        ("a\nb\tc", "a\nb\tc"),
        ("", ""),
    ],
)
def test_spelled(text: str, printed: str) -> None:
    assert spelled(text) == printed


def test_long_words_get_break_places_and_lose_nothing() -> None:
    assert "\u200b" not in spelled("x" * 24)
    printed = spelled("x" * 25 + " y")
    assert printed.replace("\u200b", "") == "x" * 25 + " y"
    assert max(len(w) for w in printed.split("\u200b")) <= 10


def test_a_file_that_is_no_font_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "none.ttf"
    file.write_bytes(struct.pack(">IHHHH", 0x10000, 0, 0, 0, 0))
    with pytest.raises(ValueError, match=r"none\.ttf has no character map"):
        coverage(file)
