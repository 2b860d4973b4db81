"""`pitwise program`: pinned JSON, words for people, exit codes on bad input."""

from __future__ import annotations

import io
import json
import os
import sys
from pathlib import Path

import pytest
from ezdxf.filemanagement import new

from pitwise.cli.main import run

TEXT = """%
G21 G90
G0 X10 Y10
M3
G4 P0.5
G1 X110 F3000
M5
M30
%
"""


def call(capsys: pytest.CaptureFixture[str], *argv: str) -> tuple[int, str, str]:
    code = run(["program", *argv])
    return (code, *capsys.readouterr())


@pytest.fixture
def file(tmp_path: Path) -> Path:
    made = tmp_path / "plate.nc"
    made.write_text(TEXT)
    return made


def test_the_pinned_json(capsys: pytest.CaptureFixture[str], file: Path) -> None:
    code, out, err = call(capsys, str(file), "--json")
    assert (code, err) == (0, "")
    data = json.loads(out)
    assert data["starts"] == 1
    assert data["cut_length_mm"] == 100
    assert data["arc_minutes"] == pytest.approx(2.5 / 60)
    assert data["pierce_minutes"] == pytest.approx(0.5 / 60)
    assert data["rapid_length_mm"] == pytest.approx(200**0.5)
    assert data["warnings"] == []
    (cut,) = data["cuts"]
    assert (cut["line"], cut["length_mm"], cut["seconds"]) == (4, 100, pytest.approx(2.5))


def test_options_change_what_is_counted(capsys: pytest.CaptureFixture[str], file: Path) -> None:
    _, out, _ = call(capsys, str(file), "--json", "--accel", "500", "--rapid", "6000")
    data = json.loads(out)
    # 50 mm/s at 500 mm/s²: length / feed and one ramp more.
    assert data["arc_minutes"] * 60 == pytest.approx(0.5 + 2 + 0.1, rel=1e-12)
    assert data["rapid_minutes"] > 0
    _, out, _ = call(capsys, str(file), "--json", "--on", "M64 P1", "--off", "M65 P1")
    data = json.loads(out)
    assert data["starts"] == 0
    assert data["warnings"][-1]["code"] == "no-start"
    assert set(data["warnings"][-1]) == {"line", "code", "text"}


def test_standard_input_and_words(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    text = TEXT.replace("M5\n", "").encode()
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(text)))
    code, out, _ = call(capsys, "-")
    assert code == 0
    assert "Starts" in out
    assert "2.5 s" in out
    assert "line 7: the program ends with the arc on [arc-left-on]" in out


def test_a_large_file_is_streamed(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    made = tmp_path / "large.nc"
    made.write_text("F6000\nM3\n" + "G1 X1\nG1 X0\n" * 100_000 + "M5\nM30\n")
    code, out, _ = call(capsys, str(made), "--json")
    assert code == 0
    assert json.loads(out)["cut_length_mm"] == 200_000


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"G1 X1\nG1 X[1\n", "line 2: the expression breaks off"),
        (b"\x7fELF\0\0\0\1", "line 1: this is"),
        ("G1 X1\n".encode("utf-16"), "UTF-16"),
        (b"G1 X" + b"1" * 1_000_000, "line 1: the line is longer"),
        (b"G1 X1\nG1 X\xff\n", "line 2"),
        ("G1 X１\n".encode(), "line 1"),
        (b"o1 while [1]\no1 endwhile\n", "goes on and on"),
        (b"o1 while [1]\n", "line 1: O1 WHILE is never closed"),
    ],
)
def test_bad_programs(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, data: bytes, words: str
) -> None:
    made = tmp_path / "bad.nc"
    made.write_bytes(data)
    code, out, err = call(capsys, str(made), "--json")
    assert (code, out) == (2, "")
    assert err.startswith("pitwise program: ")
    assert words in err
    assert "Mend:" in err
    assert "Traceback" not in err


@pytest.mark.parametrize(
    "data", [b"", b"(only words)\n", TEXT[:40].encode(), "(é ü)\nM30\n".encode()]
)
def test_empty_and_cut_short_files_are_counted_with_a_warning(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, data: bytes
) -> None:
    made = tmp_path / "short.nc"
    made.write_bytes(data)
    code, out, _ = call(capsys, str(made), "--json")
    assert code == 0
    found = {x["code"] for x in json.loads(out)["warnings"]}
    assert found & {"no-program-end", "no-start"}


def test_what_is_not_there(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    for name in ("none.nc", "none.dxf", "none.csv"):
        code, _, err = call(capsys, str(tmp_path / name))
        assert code == 2
        assert "can't be read" in err
    code, _, err = call(capsys, str(tmp_path))
    assert code == 2
    assert "can't be read" in err


@pytest.mark.parametrize(
    "argv",
    [
        ("--accel", "0"),
        ("--accel", "1e-9"),
        ("--accel", "fast"),
        ("--rapid", "nan"),
        ("--corner-tolerance", "-1"),
        ("--feed", "inf"),
    ],
)
def test_bad_options_are_refused(
    capsys: pytest.CaptureFixture[str], file: Path, argv: tuple[str, str]
) -> None:
    with pytest.raises(SystemExit) as caught:
        call(capsys, str(file), *argv)
    assert caught.value.code == 2


def test_bad_torch_codes_are_refused(capsys: pytest.CaptureFixture[str], file: Path) -> None:
    for argv in (("--on", "G1"), ("--on", "M5"), ("--on", "M3 M4")):
        code, _, err = call(capsys, str(file), *argv)
        assert code == 2
        assert "--on/--off" in err


def test_a_drawing(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    made = new("R2010", units=4)
    made.modelspace().add_circle((0, 0), 10, dxfattribs={"layer": "cut"})
    place = str(tmp_path / "nest.DXF")
    made.saveas(place)
    code, _, err = call(capsys, place)
    assert code == 2
    assert "--feed" in err
    given = (place, "--feed", "2000", "--pierce", "0.5", "--json")
    code, out, _ = call(capsys, *given, "--dxf-layer", "CUT")
    assert (code, json.loads(out)["starts"]) == (0, 1)
    code, _, err = call(capsys, *given, "--dxf-layer", "none")
    assert code == 2
    assert "use one of:" in err
    code, out, _ = call(capsys, *given[:-1])
    assert code == 0
    assert "Longest cut" in out


def test_names_are_shown_as_they_are_and_never_rule_the_terminal(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("[").mkdir()
    for name in ("[/x].nc", "[red]x.nc", "[/x]"):
        Path(name).write_text(TEXT)
        code, out, _ = call(capsys, name)
        assert code == 0
        assert f"One run of {name}" in out
    Path("[").joinpath("b].csv").write_text("name,starts,arc_minutes\n[/bold],1,1\n[red]x,1,1\n")
    code, out, _ = call(capsys, "[/b].csv")
    assert code == 0
    for words in ("Plates of [/b].csv", "[/bold]", "[red]x"):
        assert words in out
    for name in ("a\x1b[31m.nc", "b\u202ecn.nc", os.fsdecode(b"c\xff.nc")):
        Path(name).write_text(TEXT)
        code, out, _ = call(capsys, name)
        assert (code, "�" in out, "\x1b" in out) == (0, True, False)
        Path(name).write_text("G1 X[1\x1b[31m\n")
        code, out, err = call(capsys, name)
        assert (code, out, "\x1b" in err) == (2, "", False)
        assert "line 1: the expression breaks off at '�[31M'" in err
        Path(name).unlink()
        code, out, err = call(capsys, name)
        assert (code, out, name in err, "can't be read" in err) == (2, "", False, True)
        code, out, err = call(capsys, f"{name}.csv")
        assert (code, out, name in err, "can't be read" in err) == (2, "", False, True)


def test_times_without_end_are_bad_input(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    made = tmp_path / "slow.nc"
    made.write_text("M3\nG1 X1000 F." + "0" * 310 + "1\nM5\nM30\n")
    code, out, err = call(capsys, str(made), "--json")
    assert (code, out) == (2, "")
    assert "line 2: the feed F" in err
    assert "too slow to be meant" in err


def test_plates(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    made = tmp_path / "plates.csv"
    made.write_text("name,starts,arc_minutes\nA [1],10,5.5\nB,20,2\n")
    code, out, _ = call(capsys, str(made), "--json")
    assert code == 0
    data = json.loads(out)
    assert (data["starts"], data["arc_minutes"]) == (30, 7.5)
    assert data["plates"][0] == {"name": "A [1]", "starts": 10, "arc_minutes": 5.5}
    code, out, _ = call(capsys, str(made))
    assert code == 0
    assert "A [1]" in out
    made.write_text("name,starts,arc_minutes\nA,x,5.5\n")
    code, _, err = call(capsys, str(made))
    assert code == 2
    assert "line 2: starts: 'x'" in err
