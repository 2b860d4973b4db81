"""`pitwise shelf eoq`, `newsvendor`, `rq`, `ss`: pinned keys, tables, slips."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path
from typing import Any

import pytest

from pitwise.cli.main import run

PMF = "pieces,probability\n0,0.5\n2,0.3\n5,0.2\n"


def asked(capsys: pytest.CaptureFixture[str], words: str) -> tuple[int, str, str]:
    code = run(["shelf", *words.split()])
    out, err = capsys.readouterr()
    return code, out, err


def answer(capsys: pytest.CaptureFixture[str], words: str) -> dict[str, Any]:
    code, out, err = asked(capsys, f"{words} --json")
    assert code == 0, err
    found: dict[str, Any] = json.loads(out)
    return found


@pytest.fixture
def file(tmp_path: Path) -> str:
    path = tmp_path / "demand.csv"
    path.write_text(PMF, "utf-8")
    return str(path)


def test_eoq(capsys: pytest.CaptureFixture[str]) -> None:
    got = answer(capsys, "eoq --fixed 8 --holding 0.225 --demand 1300")
    assert got["Q"] == pytest.approx(304.0467800264)
    assert got["cost"] == pytest.approx(68.4105255059)
    assert (got["packs"], got["bound"]) == (None, "none")
    assert got["flat"]["low"] < got["Q"] < got["flat"]["high"]
    got = answer(capsys, "eoq --fixed 8 --holding 0.225 --demand 1300 --pack 50 --least 320")
    assert (got["Q"], got["packs"], got["bound"]) == (350, 7, "least")
    assert got["free_Q"] == pytest.approx(304.0467800264)
    code, out, _ = asked(capsys, "eoq --fixed 8 --holding 0.225 --demand 1300 --pack 50")
    assert code == 0
    assert "6 of 50" in out
    assert "Without the pack" in out


def test_newsvendor(capsys: pytest.CaptureFixture[str], file: str) -> None:
    costs = "newsvendor --holding 0.18 --stockout 0.7"
    got = answer(capsys, f"{costs} --mean 50 --sd 8")
    assert got["S"] == pytest.approx(56.6039559274)
    assert got["cost"] == pytest.approx(1.9976051932)
    got = answer(capsys, f"{costs} --poisson-mean 50")
    assert (got["S"], got["cost"]) == (56, pytest.approx(1.797235211809178))
    got = answer(capsys, f"{costs} --pmf {file}")
    assert (got["S"], got["cost"]) == (2, pytest.approx(0.18 * 1 + 0.7 * 0.6))
    assert answer(capsys, f"{costs} --pmf {file} --stock 5")["fill_rate"] == 1
    code, out, _ = asked(capsys, f"{costs} --mean 2 --sd 4")
    assert code == 0
    assert "Critical ratio" in out
    assert "below zero with a chance of 30.85 %" in out


def test_rq(capsys: pytest.CaptureFixture[str], file: str) -> None:
    costs = "rq --fixed 100 --holding 20"
    got = answer(capsys, f"{costs} --stockout 150 --demand 1.5 --lead 2")
    assert (got["r"], got["Q"], got["cost"]) == (3, 5, pytest.approx(107.92358063314975))
    assert got["cheapest"] == {"r": 3, "Q": 5, "cost": got["cost"]}
    # Without a lead time it is one unit of time.
    assert answer(capsys, f"{costs} --stockout 150 --demand 3")["demand"]["lead_mean"] == 3
    for measure, key in (
        ("fill", "fill_rate"),
        ("ready", "ready_rate"),
        ("cycle", "cycle_service"),
    ):
        own = f"{costs} --demand 1.5 --lead 2 --service 0.95 --measure {measure}"
        got = answer(capsys, own)
        assert got[key] >= 0.95
        assert got["shortage_cost"] is None
        words = f"{costs} --demand 1.5 --lead 2 --size {got['Q']} --point {got['r'] - 1}"
        assert answer(capsys, words)[key] < 0.95
    got = answer(capsys, f"{costs} --stockout 150 --demand 1.5 --lead 2 --service 0.5")
    assert got["r"] < got["cheapest"]["r"]
    assert "asks for more" in got["notes"][0]
    got = answer(capsys, f"{costs} --stockout 150 --demand 1.5 --lead 2 --pack 4 --least 5")
    assert got["Q"] == 8
    got = answer(capsys, f"{costs} --stockout 150 --pmf {file} --lead 4")
    assert got["demand"]["rate"] == pytest.approx(0.4)
    spread = answer(capsys, f"{costs} --stockout 150 --demand 1.5 --lead 2 --lead-sd 1")
    assert spread["demand"]["lead_sd"] == pytest.approx((3 + 1.5**2) ** 0.5)
    code, out, _ = asked(capsys, f"{costs} --stockout 150 --demand 1.5 --lead 2 --size 9")
    assert code == 0
    assert "9 pieces" in out
    assert "fill rate" in out


def test_rq_below_zero_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    got = answer(capsys, "rq --fixed 90 --holding 1 --demand 0.05 --service 0.6")
    assert got["r"] < 0
    assert "Most shops would take 0" in got["notes"][0]


def test_ss(capsys: pytest.CaptureFixture[str], file: str) -> None:
    got = answer(capsys, "ss --fixed 5 --holding 1 --stockout 4 --poisson-mean 6")
    assert (got["s"], got["S"], got["cost"]) == (4, 10, pytest.approx(8.034111561471642))
    own = answer(capsys, "ss --fixed 5 --holding 1 --stockout 4 --poisson-mean 6 --at 4 --up-to 10")
    assert own == got
    got = answer(capsys, f"ss --fixed 5 --holding 1 --service 0.9 --pmf {file} --lead 2")
    assert got["fill_rate"] >= 0.9
    assert got["demand"]["lead_mean"] == pytest.approx(3.2)
    code, out, _ = asked(capsys, f"ss --fixed 5 --holding 1 --stockout 9 --pmf {file}")
    assert code == 0
    assert "Fill up to (S)" in out


def test_probabilities_from_input(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(PMF.encode())))
    got = answer(capsys, "newsvendor --holding 1 --stockout 3 --pmf -")
    assert got["S"] == 2


@pytest.mark.parametrize(
    ("words", "place", "mend"),
    [
        ("eoq --fixed -1 --holding 1 --demand 3", "--fixed", "zero or more"),
        ("eoq --fixed 1 --holding 0 --demand 3", "--holding", "above zero"),
        ("eoq --fixed 1 --holding 1 --demand 0", "--demand", "per unit of time"),
        ("eoq --fixed 1 --holding 1 --demand 3 --pack 0", "--pack", "whole pieces"),
        ("newsvendor --holding 1 --stockout 1", "--mean with --sd", "give one"),
        ("newsvendor --holding 1 --stockout 1 --mean 3", "--sd", "needs --mean and --sd"),
        (
            "newsvendor --holding 1 --stockout 1 --mean 3 --sd 1 --poisson-mean 3",
            "--mean with --sd and --poisson-mean were given",
            "give one",
        ),
        ("newsvendor --holding 1 --stockout 1 --poisson-mean -3", "--poisson-mean", "zero or more"),
        ("newsvendor --holding 1 --stockout 1 --poisson-mean 3 --stock 1.5", "--stock", "whole"),
        ("newsvendor --holding 1 --stockout 1 --pmf nowhere.csv", "nowhere.csv", "check the name"),
        ("rq --fixed 1 --holding 1 --stockout 3", "--demand or --pmf", "give one of them"),
        ("rq --fixed 1 --holding 1 --demand 3", "--stockout or --service", "missing piece"),
        ("rq --fixed 1 --holding 1 --demand 3 --service 1", "--service", "less than 1"),
        ("rq --fixed 1 --holding 1 --demand 0 --stockout 3", "--demand", "per unit of time"),
        ("rq --fixed 1 --holding 1 --demand 3 --stockout 3 --lead -1", "--lead", "zero or more"),
        ("rq --fixed 1 --holding 1 --demand 3 --stockout 3 --point 2", "--point", "--size"),
        ("rq --fixed 1 --holding 1 --demand 1e9 --stockout 3", "--demand", "packs or boxes"),
        ("rq --fixed 1e15 --holding 1e-9 --demand 3 --stockout 3", "--size", "packs or boxes"),
        ("ss --fixed 1 --holding 1 --stockout 3", "--poisson-mean or --pmf", "give one"),
        ("ss --fixed 1 --holding 1 --poisson-mean 3", "--stockout or --service", "missing piece"),
        ("ss --fixed 1 --holding 1 --stockout 3 --poisson-mean 0", "--poisson-mean", "no rule"),
        ("ss --fixed 1 --holding 1 --poisson-mean 3 --at 4", "--at", "--up-to"),
        ("ss --fixed 1 --holding 1 --poisson-mean 3 --at 4 --up-to 4", "--up-to", "more than"),
        ("ss --fixed 1 --holding 1e-12 --stockout 3 --poisson-mean 9", "--fixed", "packs"),
    ],
)
def test_slips_name_the_option_and_the_mend(
    words: str, place: str, mend: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = asked(capsys, f"{words} --json")
    assert code == 2
    assert out == ""
    assert place in err
    assert mend in err


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("", "is empty"),
        ("pieces,probability\n1,0.9\n", "add up to 0.9"),
        ("pieces,probability\n1,x\n", "line 2, probability"),
        ("0.5\n0.5\n", "line 1"),
    ],
)
def test_bad_files_name_file_and_line(
    text: str, place: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "bad.csv"
    path.write_text(text, "utf-8")
    code, _, err = asked(capsys, f"ss --fixed 1 --holding 1 --stockout 3 --pmf {path}")
    assert code == 2
    assert "bad.csv" in err
    assert place in err


def test_with_probabilities_the_lead_time_is_said_once(
    file: str, capsys: pytest.CaptureFixture[str]
) -> None:
    costs = f"rq --fixed 1 --holding 1 --stockout 3 --pmf {file}"
    for words in ("--demand 1 --lead 2", "--lead 0", "--lead-sd 1"):
        code, _, err = asked(capsys, f"{costs} {words}")
        assert code == 2
        assert "--lead" in err
    code, _, err = asked(capsys, f"ss --fixed 1 --holding 1 --stockout 3 --pmf {file} --lead 1.5")
    assert code == 2
    assert "--lead" in err


@pytest.mark.parametrize("bad", ["nan", "inf", "many", "1,5"])
def test_what_is_no_number(bad: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        run(["shelf", "eoq", "--fixed", bad, "--holding", "1", "--demand", "1"])
    assert stopped.value.code == 2
    assert "write a plain number" in capsys.readouterr().err
