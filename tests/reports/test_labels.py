"""Labels: every printed code is read back, whole and in its place, from the set page."""

from __future__ import annotations

import io
import json

import cv2
import numpy as np
import numpy.typing as npt
import pypdf
import pytest
import segno
import typst

from pitwise.reports.glyphs import FAMILIES
from pitwise.reports.labels import (
    MOST_LABELS,
    PAPERS,
    QUIET,
    TEMPLATE,
    Label,
    Paper,
    label_pdf,
    laid_out,
    paper_of,
    qr_svg,
)
from pitwise.reports.typeset import _fonts, printable

MM = 25.4 / 72
DPI = 200
LABELS = (
    Label("S-0007", "Electrode, 300 A mild steel", "Rack 2, drawer 4", 3),
    Label("E-00412", "electrode 300", "electrode · lot 2031-04"),
    Label("A/b+c._-9", "Odd signs", ""),
    Label("Ö-12 é", "A tag that is no plain text", "electrode"),
    Label("X" * 40, "The longest code there is, and a name of some eighty characters too", "left"),
)


def pages(labels: tuple[Label, ...], paper: Paper, skip: int = 0) -> list[npt.NDArray[np.uint8]]:
    """The set pages as grey pictures of 200 dots an inch, fewer than any printer has."""
    data = {**laid_out(labels, paper, skip=skip), "families": list(FAMILIES)}
    made = typst.Compiler(
        TEMPLATE.read_bytes(),
        font_paths=_fonts(),
        ignore_system_fonts=True,
        sys_inputs={"data": json.dumps(data, ensure_ascii=False)},
    ).compile(format="png", ppi=DPI)
    out = []
    for png in made if isinstance(made, list) else [made]:
        assert isinstance(png, bytes)
        picture = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_GRAYSCALE)
        assert picture is not None
        out.append(picture.astype(np.uint8))
    return out


def read(picture: npt.NDArray[np.uint8], paper: Paper, place: int) -> str:
    """What the code on one label of a page says; nothing beyond the label's edges is seen."""
    row, column = divmod(place, paper.columns)
    x = (paper.first_mm[0] + column * paper.step_mm[0]) / 25.4 * DPI
    y = (paper.first_mm[1] + row * paper.step_mm[1]) / 25.4 * DPI
    width, height = (side / 25.4 * DPI for side in paper.label_mm)
    label = picture[round(y) : round(y + height), round(x) : round(x + width)]
    return str(cv2.QRCodeDetector().detectAndDecode(label)[0])


@pytest.mark.parametrize("paper", PAPERS, ids=lambda p: p.slug)
def test_every_printed_code_reads_back_from_its_own_label(paper: Paper) -> None:
    skip = min(4, paper.places - 1)
    sheets = pages(LABELS, paper, skip=skip)
    wanted = [label.code for label in LABELS for _ in range(label.count)]
    found = [
        read(sheets[at // paper.places], paper, at % paper.places)
        for at in range(skip, skip + len(wanted))
    ]
    assert found == wanted
    assert read(sheets[0], paper, 0) == ("" if skip else wanted[0])


def test_a_sheet_is_full_before_the_next_begins() -> None:
    paper = paper_of("a4-24")
    made = label_pdf([Label("S-1", "x", "", 25)], paper, skip=23)
    first, second = pypdf.PdfReader(io.BytesIO(made)).pages
    assert first.extract_text().count("S-1") == 1
    assert second.extract_text().count("S-1") == 24
    assert float(first.mediabox.width) * MM == pytest.approx(210, abs=0.1)
    assert float(first.mediabox.height) * MM == pytest.approx(297, abs=0.1)
    assert made == label_pdf([Label("S-1", "x", "", 25)], paper, skip=23)


def test_the_text_stands_beside_the_code() -> None:
    made = label_pdf([Label("S-0007", "Nozzle 130", "Rack 2")], paper_of("single-54x25"))
    (page,) = pypdf.PdfReader(io.BytesIO(made)).pages
    assert float(page.mediabox.width) * MM == pytest.approx(54, abs=0.1)
    assert float(page.mediabox.height) * MM == pytest.approx(25, abs=0.1)
    for words in ("S-0007", "Nozzle 130", "Rack 2"):
        assert words in page.extract_text()


@pytest.mark.parametrize("paper", PAPERS, ids=lambda p: p.slug)
def test_no_label_reaches_beyond_its_sheet(paper: Paper) -> None:
    right = paper.first_mm[0] + (paper.columns - 1) * paper.step_mm[0] + paper.label_mm[0]
    bottom = paper.first_mm[1] + (paper.rows - 1) * paper.step_mm[1] + paper.label_mm[1]
    assert right <= paper.width_mm + 1e-9
    assert bottom <= paper.height_mm + 1e-9
    assert paper.step_mm[0] >= paper.label_mm[0]
    assert paper.step_mm[1] >= paper.label_mm[1]


def test_a_symbol_has_level_m_and_its_quiet_zone() -> None:
    svg = qr_svg("S-0007")
    made = segno.make("S-0007", error="m", micro=False)
    side = len(made.matrix) + 2 * QUIET
    assert made.error in ("M", "Q", "H")
    assert f'viewBox="0 0 {side} {side}"' in svg
    # ISO/IEC 18004: a symbol of version 1 has 21 modules a side.
    assert side == 21 + 8
    assert f"M{QUIET} {QUIET}h7v1h-7z" in svg


def test_what_can_not_be_made_is_refused() -> None:
    paper = paper_of("a4-24")
    with pytest.raises(ValueError, match="0 labels"):
        label_pdf([], paper)
    with pytest.raises(ValueError, match="1 to 1000"):
        label_pdf([Label("S-1", "x", "", MOST_LABELS + 1)], paper)
    with pytest.raises(ValueError, match="skip must be 0 to 23"):
        label_pdf([Label("S-1", "x")], paper, skip=24)
    with pytest.raises(ValueError, match="needs a code"):
        qr_svg("")
    with pytest.raises(KeyError):
        paper_of("a3")


def test_a_script_without_glyphs_is_spelled_and_its_code_is_whole() -> None:
    label = Label("電極-12", "電極", "")
    paper = paper_of("single-100x50")
    assert read(pages((label,), paper)[0], paper, 0) == "電極-12"
    assert printable("電極-12") != "電極-12"
