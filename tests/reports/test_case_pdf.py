"""Tests of the sheet of a cause case."""

from __future__ import annotations

import copy
import io
import json
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from kit import Floor, open_floor
from pitwise.reports.case_pdf import case_pdf
from pitwise.reports.case_words import view
from pitwise.services import case_closing, case_recording, case_sheet, cases, ranges

Made = dict[str, dict[str, Any]]
NOTE = "Filter black. #set text(fill: red) *not bold* <b>&"


def _stories(floor: Floor) -> Made:
    shop, tech = floor.shop, floor.tech
    out: Made = {}
    bare = cases.open_case(shop, tech, floor.other, key=floor.key())
    out["bare"] = case_sheet.plain_case(shop, tech, bare)
    blue = (("electrode", "heat-blued"), ("nozzle", "heat-blued"))
    starts = 0
    for _ in range(4):
        starts += 150
        floor.inspect("1.6 mm", starts=str(starts), minutes=str(0.4 * starts), seen=blue)
    ranges.set_range(
        shop, floor.lead, 1, "coolant_flow", low="3", unit="l/min", reason="manual, page 4"
    )
    case = cases.open_case(
        shop, tech, floor.torch, key=floor.key(), complaint="Electrodes gone in a shift; 漢"
    )
    case_recording.record_reading(shop, tech, case, "coolant_flow", "1.2", "l/min", key=floor.key())
    case_recording.record_check(shop, tech, case, "K_leak", key=floor.key(), clear=True)
    for symptom in ("Q_bevp", "Q_bevn"):
        case_recording.record_finding(shop, tech, case, symptom, "seen", key=floor.key())
    out["asked"] = case_sheet.plain_case(shop, tech, case)
    ask = cases.read_case(shop, tech, case).asks[0]
    case_recording.answer_conflict(
        shop, tech, case, ask.id, "two parts were mixed", key=floor.key()
    )
    other = next(r for r in cases.read_case(shop, tech, case).remedies if r.who == "technician")
    case_recording.record_tried(shop, tech, case, other.id, key=floor.key())
    out["open"] = case_sheet.plain_case(shop, tech, case)
    remedy = next(r for r in cases.read_case(shop, tech, case).remedies if r.cause == "cool_low")
    case_closing.close_case(
        shop,
        tech,
        case,
        key=floor.key(),
        causes=["cool_low"],
        certainty="verified",
        remedies=[remedy.id],
        remedy_text="Hose laid anew",
        note=NOTE,
        done_by="Ann Ohm, electrician",
    )
    out["early"] = case_sheet.plain_case(shop, tech, case)
    floor.clock.forward(days=1)
    for _ in range(4):
        starts += 600
        floor.inspect("1.6 mm", starts=str(starts), minutes=str(0.4 * starts))
    case_closing.mark_came_back(shop, tech, case, note="blue again")
    out["closed"] = case_sheet.plain_case(shop, tech, case)
    case_closing.discard_case(shop, tech, bare, reason="opened by mistake")
    out["discarded"] = case_sheet.plain_case(shop, tech, bare)
    return out


@pytest.fixture(scope="module")
def stories(tmp_path_factory: pytest.TempPathFactory, session_folder: Path) -> Made:
    with open_floor("sqlite", tmp_path_factory.mktemp("case"), session_folder) as floor:
        return _stories(floor)


def text_of(case: dict[str, Any], **options: Any) -> str:
    pages = PdfReader(io.BytesIO(case_pdf(case, **options))).pages
    return re.sub(r"\s+", " ", " ".join(p.extract_text().replace("\u200b", "") for p in pages))


def test_the_same_case_gives_the_same_bytes(stories: Made) -> None:
    for case in stories.values():
        assert case_pdf(case) == case_pdf(copy.deepcopy(case))


def test_and_from_a_fresh_process_elsewhere(stories: Made, tmp_path: Path) -> None:
    code = (
        "import json,sys; from pitwise.reports.case_pdf import case_pdf; "
        "sys.stdout.buffer.write(case_pdf(json.load(sys.stdin)))"
    )
    fresh = subprocess.run(
        [sys.executable, "-c", code],
        input=json.dumps(stories["closed"]).encode(),
        capture_output=True,
        cwd=tmp_path,
        env={**os.environ, "TZ": "Asia/Tokyo", "LANG": "C", "PYTHONHASHSEED": "7"},
    )
    assert fresh.stderr == b""
    assert fresh.stdout == case_pdf(stories["closed"])


def test_an_open_case_says_what_to_do_next(stories: Made) -> None:
    case = stories["open"]
    text = text_of(case)
    for words in (
        "Cause case 2: Torch A",
        "Open: what to do next",
        case["diagnosis"]["step"]["why"],
        "Likeliest causes now",
        "Electrodes gone in a shift; [U+6F22]",
        "1.2 l/min",
        "Checks done",
        "Looked at, and not there",
        "Not looked at",
        "two parts were mixed",
        "Remedies tried that did not help",
        "Cautions before work",
        case["cautions"][0],
        case["sheet_sha256"],
        case["sheet_version"],
    ):
        assert words in text, words
    top = case["diagnosis"]["causes"][0]
    assert top["name"] in text
    assert f"{top['word'].capitalize()}, " in text


def test_a_contradiction_is_asked_first(stories: Made) -> None:
    text = text_of(stories["asked"])
    assert "Answer first: " in text
    ask = stories["asked"]["asks"][0]
    assert ask["caution"]
    assert ask["caution"] in text
    assert "Not answered" in text


def test_a_closed_case_says_what_it_was_and_what_came_of_it(stories: Made) -> None:
    case = stories["closed"]
    reader = PdfReader(io.BytesIO(case_pdf(case)))
    info = reader.metadata
    assert info is not None
    assert info.title == "Cause case 2: Torch A"
    assert info.author == "Tom Reed"
    assert info.creation_date is not None
    assert info.creation_date.isoformat() == case["closing"]["came_back_at"]
    assert "/StructTreeRoot" in reader.root_object
    text = text_of(case)
    for words in (
        "Low coolant flow Verified: seen or measured to be so",
        "Done: Hose laid anew",
        "Done by Ann Ohm, electrician.",
        "The cure did not hold. The trouble came back: blue again",
        "Before and after the cure",
        "Causes as they stood when it was closed",
        NOTE,
    ):
        assert words in text, words
    assert "Before and after the cure Too early to tell" in text_of(stories["early"])


def test_bare_and_discarded_cases_print_too(stories: Made) -> None:
    assert "Likeliest causes now" in text_of(stories["bare"])
    text = text_of(stories["discarded"])
    assert "Cause case 1: Torch B Given up" in text
    assert "Causes as they stood when it was given up" in text


def test_paper_says_the_verdict_and_how_much_each_fact_moves(stories: Made) -> None:
    words = view(stories["open"], timezone="UTC")
    flow = next(row for row in words["evidence"] if "1.2 l/min" in row[2])
    assert flow[2].startswith("so: 1.2 l/min")
    top = words["causes"][0]
    assert re.search(r"\(so, by a reading; odds × ", top["for"])
    for cause, row in zip(stories["open"]["diagnosis"]["causes"], words["causes"], strict=False):
        for side, told in ((row["for"], cause["for_"]), (row["against"], cause["against"])):
            moving = sum(abs(t["shift"]) >= 0.0953 for t in told)
            assert side.count("odds ") == min(moving, 5)
            assert ("more that move it less" in side) == (moving > 5)
    assert "hardly moves it" not in text_of(stories["open"])


def test_moments_are_in_the_zone_asked_for(stories: Made) -> None:
    assert "UTC" in text_of(stories["open"])
    assert "CET" in text_of(stories["open"], timezone="Europe/Berlin")
    with pytest.raises(ValueError, match="timezone"):
        case_pdf(stories["open"], timezone="Nowhere/At all")


def test_every_finding_is_on_the_sheet_once(stories: Made) -> None:
    case = stories["open"]
    words = view(case, timezone="UTC")
    told = len(words["evidence"]) + sum(
        len(texts.split("; ")) for source in words["clear"] for _, texts in source["rows"]
    )
    assert told == len(case["evidence"])


def test_only_packaged_fonts_are_in_it(stories: Made) -> None:
    names: set[str] = set()
    for page in PdfReader(io.BytesIO(case_pdf(stories["closed"]))).pages:
        own, others = page._get_fonts()
        assert not others, "a font is not embedded"
        names |= own
    assert names
    assert all("AtkinsonHyperlegibleNext" in n for n in names), names
