"""Decisions a technician can read and correct: `tests/data/golden_decisions.toml`."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from pitwise.bench.case import read_case
from pitwise.bench.decide import decide
from pitwise.trade import base_sheet, load_sheet
from pitwise.trade.loader import base_texts

FILE = Path(__file__).parents[1] / "data" / "golden_decisions.toml"
ROWS: list[dict[str, Any]] = tomllib.loads(FILE.read_text())["decision"]


def test_there_are_at_least_sixty_and_no_name_twice() -> None:
    assert len(ROWS) >= 60
    assert len({r["name"] for r in ROWS}) == len(ROWS)


@pytest.mark.parametrize("row", ROWS, ids=[r["name"] for r in ROWS])
def test_golden(row: dict[str, Any]) -> None:
    sheet = base_sheet()
    if "shop_sheet" in row:
        head = '[sheet]\nid = "own"\nversion = "1"\ntitle = "A shop"\n'
        sheet = load_sheet(base_texts(), {"own.toml": head + row["shop_sheet"]})
    given = dict(row["given"])
    parts = dict(given.get("parts", {}))
    if given.pop("all_others_fine"):
        for part in sheet.parts:
            fine: dict[str, Any] = {"looked": True}
            if part.id == "electrode":
                fine["pit_depth"] = ["0.40 mm"]
            parts.setdefault(part.id, fine)
    decision = decide(sheet, read_case(sheet, {**given, "parts": parts}))
    expect = row["expect"]
    assert decision.set_state == expect["set"]
    assert {p: decision.parts[p].action for p in expect.get("parts", {})} == expect.get("parts", {})
    if "flags" in expect:
        assert sorted(f.code for f in decision.flags) == sorted(expect["flags"])
