"""`pitwise circle`: pinned keys, tables for people, files that are not what they should be."""

from __future__ import annotations

import io
import json
import math
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pitwise.cli.main import run
from pitwise.measure.circle_file import read_points

SQUARE = "x,y\n1,0\n0,1\n-1,0\n0,-1\n0.6,0.8\n"


def asked(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = run(["circle", *words])
    out, err = capsys.readouterr()
    return code, out, err


def points_file(folder: Path, text: str | bytes) -> str:
    file = folder / "points.csv"
    file.write_bytes(text.encode("utf-8") if isinstance(text, str) else text)
    return str(file)


def test_the_pinned_keys(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    t = np.linspace(0, 2 * math.pi, 90, endpoint=False)
    r = 2 + 0.1 * np.cos(5 * (t - 0.1))
    rows = "".join(f"{a!r},{b!r}\n" for a, b in zip(r * np.cos(t), r * np.sin(t), strict=True))
    rows = rows.replace("np.float64(", "").replace(")", "")
    code, out, _ = asked(capsys, points_file(tmp_path, "x,y\n" + rows), "--json")
    assert code == 0
    got: dict[str, Any] = json.loads(out)
    assert {"x", "y", "r"} <= got["least_squares"].keys()
    assert {"x", "y", "width"} <= got["minimum_zone"].keys()
    assert {"x", "y", "r"} <= got["circumscribed"].keys()
    assert {"x", "y", "r"} <= got["inscribed"].keys()
    assert {"upr", "amplitude", "phase_deg"} <= got["harmonics"][0].keys()
    assert got["least_squares"]["r"] == pytest.approx(2)
    assert got["minimum_zone"]["width"] == pytest.approx(0.2, abs=5e-3)
    lobe = next(h for h in got["harmonics"] if h["upr"] == 5)
    assert lobe["amplitude"] == pytest.approx(0.1)
    assert lobe["phase_deg"] == pytest.approx(math.degrees(0.1))
    assert got["notes"] == []
    code, out, _ = asked(capsys, str(tmp_path / "points.csv"), "--json", "--filter-upr", "5")
    assert json.loads(out)["roundness"]["value"] == pytest.approx(0.1, abs=5e-3)
    code, out, _ = asked(capsys, str(tmp_path / "points.csv"))
    assert code == 0
    assert "Narrowest ring" in out
    assert "Strongest lobes" in out


@pytest.mark.parametrize(
    "text",
    [
        SQUARE,
        "\ufeff" + SQUARE,
        SQUARE.replace(",", ";").replace(".", ","),
        SQUARE.replace(",", "\t"),
        SQUARE.replace("\n", "\r\n"),
        "\n\n" + SQUARE.upper() + "\n\n",
        SQUARE.replace("-1", "\N{MINUS SIGN}1"),
        'x,y\n"1","0"\n' + SQUARE[8:],
        "y,x\n" + SQUARE[4:],
    ],
)
def test_ways_to_write_it(text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = asked(capsys, points_file(tmp_path, text), "--json")
    assert code == 0, err
    assert json.loads(out)["circumscribed"]["r"] == pytest.approx(1)


def test_standard_input(capsys: pytest.CaptureFixture[str], monkeypatch: Any) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(SQUARE.encode())))
    code, out, _ = asked(capsys, "-", "--json")
    assert code == 0
    assert json.loads(out)["points"] == 5


@pytest.mark.parametrize(
    ("text", "place", "mend"),
    [
        ("", "is empty", "header x,y"),
        ("\n \n", "is empty", "header x,y"),
        ("x,y\n", "has 0 points", "three or more"),
        ("x,y\n1,2\n", "has 1 points", "three or more"),
        ("x,y\n1,2\n3,nan\n4,5\n1,1\n", "line 3, y", "leave the row out"),
        ("x,y\n1,2\n3,-inf\n4,5\n1,1\n", "line 3, y", "leave the row out"),
        ("x,y\n1,2\n3,1e999\n4,5\n1,1\n", "line 3, y", "leave the row out"),
        ("x,y\n1,2\n3,\n4,5\n1,1\n", "line 3, y", "plain number"),
        ("x,y\n1,2\n3,four\n4,5\n1,1\n", "line 3, y: 'four'", "plain number"),
        ("x,y\n1,2\n3,1_0\n4,5\n1,1\n", "line 3, y: '1_0'", "plain number"),
        ("x,y\n1,2\n3,٣\n4,5\n1,1\n", "line 3, y", "plain number"),
        ("x,y\n1,2,3\n4,5\n1,1\n", "line 2: has 3 fields", "write 2"),
        ("x,y\n1,5,2,5\n4,5\n1,1\n", "line 2: has 4 fields", "semicolons"),
        ("x;y\n1;2\n3\n", "line 3: has 1 fields", "write 2"),
        ("a,b\n1,2\n", "line 1: 'a' is no column", "write x,y"),
        ("x,z\n1,2\n", "line 1: 'z' is no column", "y"),
        ("x,x\n1,2\n", "line 1: column 'x' is there twice", "keep one"),
        ("x\n1\n", "line 1: the header lacks y", "x,y"),
        ("1,2\n3,4\n5,7\n", "line 1: '1' is no column", "write x,y"),
        ("x,y\n1,2\n2,3\n3,4\n", "on one line", "round the circle"),
        ("x,y\n1,2\n1,2\n1,2\n", "one place", "round the circle"),
        ("x,y\n1,2\n1e200,4\n3,1\n", "point 2", "correct"),
        ("x,y\n1,2\n\x00,4\n3,1\n", "is not text", "CSV"),
        (b"x,y\n\xff\xfe,4\n", "not UTF-8", "save it as UTF-8"),
        ('x,y\n"1,2\n3,4\n', "line", "write 2"),
    ],
)
def test_bad_files(
    text: str | bytes, place: str, mend: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = asked(capsys, points_file(tmp_path, text), "--json")
    assert code == 2
    assert out == ""
    assert place in err
    assert mend in err
    assert "Traceback" not in err


def test_no_such_file_and_no_such_filter(capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = asked(capsys, "nowhere.csv")
    assert code == 2
    assert "nowhere.csv" in err
    for bad in ("0", "-3", "nan", "many"):
        with pytest.raises(SystemExit):
            run(["circle", "-", "--filter-upr", bad])


def test_many_rows(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    t = np.linspace(0, 2 * math.pi, 1000, endpoint=False)
    r = 5 + 0.01 * np.cos(2 * t)
    rows = "".join(f"{a:.6f},{b:.6f}\n" for a, b in zip(r * np.cos(t), r * np.sin(t), strict=True))
    assert len(read_points("x,y\n" + rows * 1000)) == 1_000_000
    code, out, _ = asked(capsys, points_file(tmp_path, "x,y\n" + rows * 50), "--json")
    assert code == 0
    got = json.loads(out)
    assert got["points"] == 50_000
    assert got["minimum_zone"]["width"] == pytest.approx(0.02, abs=1e-4)
