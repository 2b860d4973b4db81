"""`pitwise wear fit`, `wear forecast` and `outlook`: their contract and their refusals."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from pitwise.cli.main import run

HEAD = "electrode,process,starts,arc_minutes,depth_mm"
PROGRAM = """%
G21 G90
F3000
G0 X0 Y0
M3
G4 P0.8
G1 X2000
G1 Y500
M5
M30
%
"""


@pytest.fixture
def readings(tmp_path: Path) -> Path:
    random = np.random.default_rng(11)
    lines = [HEAD]
    for i in range(30):
        process = f"P{i % 2}"
        rate = (0.5 if i % 2 else 0.8) * math.exp(0.2 * random.standard_normal())
        starts = minutes = 0.0
        for _ in range(3):
            starts += float(random.integers(60, 140))
            minutes += float(random.uniform(40, 160))
            depth = rate * (starts + 0.5 * minutes) / 500 + 0.03 * random.standard_normal()
            lines.append(f"e{i},{process},{starts:.0f},{minutes:.1f},{depth:.3f}")
    file = tmp_path / "readings.csv"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return file


def call(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = run(list(words))
    out = capsys.readouterr()
    return code, out.out, out.err


def test_fit_prints_the_keys_it_promises(
    readings: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = call(capsys, "wear", "fit", str(readings), "--json")
    assert code == 0
    plain = json.loads(out)
    for key in ("kappa", "gamma", "tau", "sigma", "phi", "omega"):
        assert plain[key] > 0
        assert plain["standard_errors"][key] > 0
    assert math.isfinite(plain["loglik"])
    assert plain["electrodes"] == 30
    assert plain["readings"] == 90
    assert set(plain["processes"]) == {"P0", "P1"}
    for name, truth in (("P0", 0.8), ("P1", 0.5)):
        process = plain["processes"][name]
        assert process["p05"] < process["rate_mm_per_500"] < process["p95"]
        assert process["rate_mm_per_500"] == pytest.approx(truth, rel=0.25)
    assert call(capsys, "wear", "fit", str(readings), "--json")[1] == out


def test_fit_prints_a_table_for_people(readings: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = call(capsys, "wear", "fit", str(readings))
    assert code == 0
    assert "90 readings of 30 electrodes" in out
    assert "No loss in the cut is on record" in out


def forecast(capsys: pytest.CaptureFixture[str], readings: Path, *more: str) -> dict[str, object]:
    code, out, err = call(capsys, "wear", "forecast", str(readings), *more, "--json")
    assert code == 0, err
    plain: dict[str, object] = json.loads(out)
    return plain


def test_forecast_prints_the_keys_it_promises(
    readings: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plain = forecast(
        capsys,
        readings,
        *("--electrode", "e4", "--starts", "100", "--minutes", "80", "--limit", "1.0"),
    )
    total = sum(float(str(plain[k])) for k in ("p_finish", "p_limit", "p_lost"))
    assert total == pytest.approx(1.0)
    for key in ("depth_mm", "remaining_starts"):
        band = plain[key]
        assert isinstance(band, dict)
        assert band["p05"] < band["median"] < band["p95"]
    assert plain["minutes_per_start"] == pytest.approx(0.8)
    assert plain["basis"] == "this-process"


def test_a_limit_may_be_given_in_thou(readings: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job = ("--electrode", "e4", "--starts", "100", "--minutes", "80", "--limit")
    thou = forecast(capsys, readings, *job, "40 thou")
    mm = forecast(capsys, readings, *job, "1.016")
    assert thou["p_finish"] == mm["p_finish"]


def test_a_longer_job_finishes_less_likely(
    readings: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = [
        forecast(
            capsys,
            readings,
            *("--electrode", "e4", "--starts", str(s), "--minutes", str(s), "--limit", "1.0"),
        )["p_finish"]
        for s in (0, 100, 300, 900)
    ]
    assert found == sorted(found, key=lambda p: -float(str(p)))


def test_a_new_electrode_of_a_new_process_says_what_it_rests_on(
    readings: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = ("--starts", "100", "--minutes", "80", "--limit", "1.0", "--process", "P9")
    plain = forecast(capsys, readings, "--electrode", "new", *job)
    assert plain["basis"] == "other-processes"
    empty = tmp_path / "empty.csv"
    empty.write_text(HEAD + "\n", encoding="utf-8")
    plain = forecast(capsys, empty, "--electrode", "new", *job)
    assert plain["basis"] == "sheet"
    notes = plain["notes"]
    assert isinstance(notes, list)
    assert "prior" in notes[0]


def test_one_mix_of_jobs_is_said_to_be_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "alike.csv"
    rows = [
        f"e{i},P,{100 * k},{80 * k},{0.14 * k + 0.01 * (i % 3)}" for i in range(9) for k in (1, 2)
    ]
    file.write_text("\n".join([HEAD, *rows]), encoding="utf-8")
    _, out, _ = call(capsys, "wear", "fit", str(file), "--json")
    plain = json.loads(out)
    assert plain["kappa_identified"] is False
    assert any("too alike" in note for note in plain["notes"])


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--electrode", "e44", "--starts", "1", "--minutes", "1", "--limit", "1"), "did you mean"),
        (("--electrode", "zz", "--starts", "1", "--minutes", "1", "--limit", "1"), "--process"),
    ],
)
def test_an_unknown_electrode_is_refused(
    readings: Path, words: tuple[str, ...], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, err = call(capsys, "wear", "forecast", str(readings), *words)
    assert code == 2
    assert says in err


@pytest.mark.parametrize(
    ("option", "value"),
    [
        ("--limit", "0"),
        ("--limit", "-1"),
        ("--limit", "deep"),
        ("--starts", "-5"),
        ("--starts", "nan"),
        ("--minutes", "1e99"),
    ],
)
def test_a_number_that_can_not_be_is_refused(readings: Path, option: str, value: str) -> None:
    words = ["--electrode", "e4", "--starts", "1", "--minutes", "1", "--limit", "1"]
    words[words.index(option) + 1] = value
    with pytest.raises(SystemExit) as stopped:
        run(["wear", "forecast", str(readings), *words])
    assert stopped.value.code == 2


def test_bad_files_name_file_line_and_mend(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "bad.csv"
    for text, place in (
        ("", "bad.csv"),
        (f"{HEAD}\n", "holds no reading"),
        (f"{HEAD}\na,P,1,1,0.2\na,P,2,1,x\n", "line 3"),
        (f"{HEAD}\na,P,1,1,\n", "holds no reading"),
    ):
        file.write_text(text, encoding="utf-8")
        code, _, err = call(capsys, "wear", "fit", str(file))
        assert code == 2
        assert place in err
        assert "Mend" in err
    code, _, err = call(capsys, "wear", "fit", str(tmp_path / "none.csv"))
    assert code == 2
    assert "none.csv" in err


def test_a_unit_slip_is_set_aside_and_named(
    readings: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, before, _ = call(capsys, "wear", "fit", str(readings), "--json")
    readings.write_text(readings.read_text() + "slip,P0,200,150,31\n", encoding="utf-8")
    _, out, _ = call(capsys, "wear", "fit", str(readings), "--json")
    plain = json.loads(out)
    assert [x["electrode"] for x in plain["set_aside"]] == ["slip"]
    assert "thou" in plain["set_aside"][0]["text"]
    assert plain["tau"] == pytest.approx(json.loads(before)["tau"], rel=0.02)


def test_a_lost_electrode_cuts_no_more(readings: Path, capsys: pytest.CaptureFixture[str]) -> None:
    head, *rows = readings.read_text().splitlines()
    lines = [f"{head},ended", *(f"{row}," for row in rows[:-1]), f"{rows[-1]},lost"]
    readings.write_text("\n".join(lines), encoding="utf-8")
    words = ("--electrode", "e29", "--starts", "1", "--minutes", "1", "--limit", "1")
    code, _, err = call(capsys, "wear", "forecast", str(readings), *words)
    assert code == 2
    assert "lost in the cut" in err


def outlook(
    capsys: pytest.CaptureFixture[str], readings: Path, *programs: str
) -> tuple[int, dict[str, object], str]:
    code, out, err = call(
        capsys,
        *("outlook", "--readings", str(readings), "--electrode", "e4", "--limit", "1.0"),
        *programs,
        "--json",
    )
    return code, json.loads(out) if code == 0 else {}, err


def test_outlook_prints_the_keys_it_promises(
    readings: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    program, nest = tmp_path / "slot.nc", tmp_path / "list.csv"
    program.write_text(PROGRAM, encoding="utf-8")
    nest.write_text("name,starts,arc_minutes\nbig,60,50\nmid,40,30\n", encoding="utf-8")
    code, plain, err = outlook(capsys, readings, f"{nest}*6", str(program), f"{program}*2")
    assert code == 0, err
    rows = plain["plates"]
    assert isinstance(rows, list)
    assert len(rows) == 15
    assert rows[0]["name"] == "big 1 of 6"
    assert rows[-1]["name"] == "slot.nc 2 of 2"
    chances = [r["p_finish"] for r in rows]
    assert chances == sorted(chances, reverse=True)
    assert rows[0]["depth_mm"]["p05"] < rows[0]["depth_mm"]["p95"]
    assert isinstance(plain["change_after"], list)
    assert all(0 <= k < 15 for k in plain["change_after"])
    assert float(str(plain["expected_cost"])) > 0


def test_outlook_refuses_by_name(
    readings: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    program = tmp_path / "bad.nc"
    program.write_text("G21\nG1 X[1+\n", encoding="utf-8")
    for words, says in (
        ((str(program),), "line 2"),
        ((str(tmp_path / "none.nc"),), "none.nc"),
        ((f"{tmp_path}/list.csv*0",), "how often"),
        ((f"{readings}*99999999",), "column"),
        ((f"{tmp_path}/list.csv*1.5",), "whole number"),
        ((f"{tmp_path}/list.csv*",), "whole number"),
    ):
        code, _, err = outlook(capsys, readings, *words)
        assert code == 2, words
        assert says in err


def test_outlook_says_what_the_reader_warned_of_and_counts_no_plate_as_free(
    readings: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = tmp_path / "other-codes.nc"
    other.write_text("G21 G91 F600\nM7\nG1 X400\nM8\nM2\n", encoding="utf-8")
    code, _, err = outlook(capsys, readings, f"{other}*3")
    assert code == 2
    assert "0 starts" in err
    assert "--on" in err
    code, plain, err = outlook(capsys, readings, f"{other}*3", "--on", "M7", "--off", "M8")
    assert code == 0, err
    left_on = tmp_path / "left-on [x].nc"
    left_on.write_text("G21 G91 F600\nM3\nG1 X400\nM2\n", encoding="utf-8")
    code, plain, _ = outlook(capsys, readings, str(left_on))
    assert code == 0
    warnings = plain["warnings"]
    assert isinstance(warnings, list)
    assert warnings[0]["program"] == str(left_on)
    assert warnings[0]["line"] > 0


def test_a_file_with_a_star_in_its_name_is_found(
    readings: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "x*3"
    file.write_text(PROGRAM, encoding="utf-8")
    code, plain, err = outlook(capsys, readings, str(file))
    assert code == 0, err
    rows = plain["plates"]
    assert isinstance(rows, list)
    assert len(rows) == 1
    _, plain, _ = outlook(capsys, readings, f"{file}*2")
    rows = plain["plates"]
    assert isinstance(rows, list)
    assert len(rows) == 2


def test_names_in_brackets_are_names(readings: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ("--electrode", "[/x]", "--process", "[red]", "--starts", "1", "--minutes", "1")
    code, out, _ = call(capsys, "wear", "forecast", str(readings), *words, "--limit", "1")
    assert code == 0
    assert "[/x]" in out
    assert "[red]" in out


def test_what_is_odd_about_a_forecast_is_said(
    readings: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    head, *rows = readings.read_text().splitlines()
    lines = [f"{head},ended", *(f"{row}," for row in rows)]
    lines += ["w,P0,100,80,0.30,", "w,P0,150,120,0.19,", "r,P0,100,80,0.2,replaced"]
    readings.write_text("\n".join(lines), encoding="utf-8")
    job = ("--starts", "10", "--minutes", "10", "--limit", "1.0")
    shallow = str(forecast(capsys, readings, "--electrode", "w", *job)["notes"])
    assert "does not fill up" in shallow
    replaced = str(forecast(capsys, readings, "--electrode", "r", *job)["notes"])
    assert "was replaced" in replaced
    far = ("--starts", "1e6", "--minutes", "1e6", "--limit", "1.0")
    assert "past the limit" in str(forecast(capsys, readings, "--electrode", "e1", *far)["notes"])


def test_outlook_for_people(
    readings: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    nest = tmp_path / "list.csv"
    nest.write_text("name,starts,arc_minutes\nbig,60,50\n", encoding="utf-8")
    code, out, _ = call(
        capsys,
        *("outlook", "--readings", str(readings), "--electrode", "e4", "--limit", "1.0"),
        f"{nest}*12",
    )
    assert code == 0
    assert "change after plate" in out
    assert "A forecast is an estimate; the limit stands." in out
