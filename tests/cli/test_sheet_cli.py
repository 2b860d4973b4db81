"""`pitwise sheet`: the causes' tables for people and programs, and a shop's own checked."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pitwise.cli.main import run
from pitwise.trade import base_sheet

HEAD = '[sheet]\nid = "own"\nversion = "1"\ntitle = "Ours"\n'


def call(capsys: pytest.CaptureFixture[str], *argv: str) -> tuple[int, str, str]:
    code = run(argv)
    shown = capsys.readouterr()
    return code, shown.out, shown.err


def test_the_whole_sheet_shows_every_cause_check_and_reading(
    capsys: pytest.CaptureFixture[str],
) -> None:
    code, out, _ = call(capsys, "sheet", "show")
    sheet = base_sheet()
    assert code == 0
    for ids in (sheet.causes, sheet.symptoms, sheet.checks, sheet.readings, sheet.conflicts):
        assert [row.id for row in ids if row.id not in out] == []
    assert "to 3 °C" in out
    assert "the shop's" in out


def test_json_holds_every_row(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = call(capsys, "sheet", "show", "--json")
    data = json.loads(out)
    assert code == 0
    assert len(data["links"]) == len(base_sheet().links)
    (feed,) = next(r for r in data["readings"] if r["id"] == "coolant_flow")["feeds"]
    assert feed == {"symptom": "W_flow", "beyond": "low"}


def test_one_cause_and_one_part(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = call(capsys, "sheet", "show", "--cause", "work_lead")
    assert code == 0
    assert "P_clamp" in out
    assert "Look at the work clamp" in out
    assert "Qualified electrician" in out
    code, out, _ = call(capsys, "sheet", "show", "--part", "coolant-tube")
    assert code == 0
    assert "U_worn" in out
    assert "P_clamp" not in out
    code, _, err = call(capsys, "sheet", "show", "--cause", "work_led")
    assert code == 2
    assert "did you mean 'work_lead'" in err


def test_a_shops_causes_are_checked(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    link = '[[link]]\ncause = "{c}"\nsymptom = "N_big"\np = 0.7\nsource = "ours"\n'
    own.write_text(HEAD + link.format(c="age"), "utf-8")
    code, out, _ = call(capsys, "sheet", "check", str(own), "--json")
    data = json.loads(out)
    assert (code, data["ok"], data["links"]) == (0, True, len(base_sheet().links))
    code, out, _ = call(capsys, "sheet", "check", str(own))
    assert "causes 32" in out
    own.write_text(HEAD + link.format(c="aeg"), "utf-8")
    code, _, err = call(capsys, "sheet", "check", str(own))
    assert code == 2
    assert "own.toml, link 1 (aeg N_big), line 5: 'aeg' is no cause" in err
    assert "did you mean 'age'" in err
