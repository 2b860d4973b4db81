"""How many inspections are decided in a second, beside reading and writing them as JSON."""

from __future__ import annotations

import json
import time
import tomllib
from pathlib import Path
from typing import Any

from benchmarks.result import Result, Spread
from pitwise.bench.case import read_case
from pitwise.bench.decide import Inspection, decide
from pitwise.trade import Sheet, base_sheet

GOLDEN = Path(__file__).parents[1] / "tests" / "data" / "golden_decisions.toml"
ROUNDS = 31
REPEATS = 5


def golden_cases(sheet: Sheet) -> list[dict[str, Any]]:
    """Return the golden decisions' inputs, with `all_others_fine` written out."""
    cases = []
    for row in tomllib.loads(GOLDEN.read_text())["decision"]:
        given = dict(row["given"])
        parts = dict(given.get("parts", {}))
        if given.pop("all_others_fine"):
            for part in sheet.parts:
                fine: dict[str, Any] = {"looked": True}
                if part.id == "electrode":
                    fine["pit_depth"] = ["0.40 mm"]
                parts.setdefault(part.id, fine)
        cases.append({**given, "parts": parts})
    return cases


def _decide_all(sheet: Sheet, cases: list[Inspection]) -> float:
    start = time.perf_counter()
    for _ in range(REPEATS):
        for case in cases:
            decide(sheet, case)
    return time.perf_counter() - start


def _round_trip_all(texts: list[str]) -> float:
    start = time.perf_counter()
    for _ in range(REPEATS):
        for text in texts:
            json.dumps(json.loads(text))
    return time.perf_counter() - start


def run(_folder: Path | None = None) -> Result:
    sheet = base_sheet()
    given = golden_cases(sheet)
    cases = [read_case(sheet, case) for case in given]
    texts = [json.dumps(case) for case in given]
    _decide_all(sheet, cases)
    _round_trip_all(texts)
    ours, peers = [], []
    for _ in range(ROUNDS):
        ours.append(_decide_all(sheet, cases))
        peers.append(_round_trip_all(texts))
    count = len(cases) * REPEATS
    mine, theirs = Spread.of([count / x for x in ours]), Spread.of([count / x for x in peers])
    return Result(
        "decide",
        f"bench.decide.decide on {len(cases)} golden decisions",
        "json.loads + json.dumps of the same case (Python's standard library)",
        Spread.of([a / b for a, b in zip(ours, peers, strict=True)]),
        figures={
            "decisions a second": mine.words(",.0f"),
            "round trips a second": theirs.words(",.0f"),
        },
        raw={"decisions_per_second": mine.median, "peer_per_second": theirs.median},
    )
