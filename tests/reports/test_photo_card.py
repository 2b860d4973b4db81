"""The sheet of photo cards as a PDF: one page, true to scale, the same every time."""

from __future__ import annotations

import io

import pypdf
import pytest

from pitwise.reports.photo_card import card_pdf


def test_the_sheet_is_one_page_that_a4_and_letter_take() -> None:
    made = card_pdf()
    assert made == card_pdf()
    (page,) = pypdf.PdfReader(io.BytesIO(made)).pages
    mm = 25.4 / 72
    assert float(page.mediabox.width) * mm == pytest.approx(210, abs=0.1)
    assert float(page.mediabox.height) * mm <= 279.4
    text = page.extract_text()
    for words in ("Print at 100 %", "50 mm, end to end", "small, 16 mm", "large, open, 48 mm"):
        assert words in text
    # Vectors only: a picture of the markers would be resampled by the printer.
    assert not list(page.images)
