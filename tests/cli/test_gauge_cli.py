"""`pitwise gauge` and `pitwise agreement`: pinned keys, tables, bad files."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pitwise.cli.main import run

DATA = json.loads((Path(__file__).parents[1] / "data" / "gauge_10x3x3.json").read_text("utf-8"))
ROWS = [
    (f"{k + 1}", "ABC"[i], f"{j + 1}", v)
    for i, person in enumerate(DATA["x"])
    for j, trial in enumerate(person)
    for k, v in enumerate(trial)
]
HEADER = "part,person,trial,value\n"
STUDY = HEADER + "".join(f"{p},{w},{t},{v}\n" for p, w, t, v in ROWS)
COUNTS = "keep,clean,replace\n3,0,0\n2,1,0\n0,0,3\n0,1,2\n3,0,0\n0,3,0\n"


def asked(
    capsys: pytest.CaptureFixture[str], folder: Path, text: str, command: str, *words: str
) -> tuple[int, str, str]:
    file = folder / "table.csv"
    file.write_text(text, "utf-8")
    code = run([command, str(file), *words])
    out, err = capsys.readouterr()
    return code, out, err


def test_the_pinned_keys_of_a_study(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = asked(capsys, tmp_path, STUDY, "gauge", "--json", "--tolerance", "8")
    assert code == 0
    got = json.loads(out)
    wanted = DATA["expected"]["pooled"]
    assert got["repeatability"] == pytest.approx(wanted["EV"], abs=1e-6)
    assert got["reproducibility"] == pytest.approx(wanted["AV"], abs=1e-6)
    assert got["gauge"] == pytest.approx(wanted["GRR"], abs=1e-6)
    assert got["part"] == pytest.approx(wanted["PV"], abs=1e-6)
    assert got["percent_of_total"] == pytest.approx(wanted["pctGRR"], abs=1e-5)
    assert got["percent_of_tolerance"] == pytest.approx(100 * 6 * wanted["GRR"] / 8, abs=1e-4)
    assert got["ndc"] == 4
    assert got["unit"] is None
    code, out, _ = asked(capsys, tmp_path, STUDY, "gauge", "--json", "--method", "range")
    got = json.loads(out)
    assert got["gauge"] == pytest.approx(DATA["expected"]["range_method"]["GRR"], abs=1e-6)
    assert got["percent_of_tolerance"] is None


def test_units_and_ways_to_write(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plain = json.loads(asked(capsys, tmp_path, STUDY, "gauge", "--json")[1])
    mm = HEADER + "".join(f"{p},{w},{t},{v} mm\n" for p, w, t, v in ROWS)
    got = json.loads(asked(capsys, tmp_path, mm, "gauge", "--json", "--tolerance", "0.5 in")[1])
    assert got["unit"] == "mm"
    assert got["tolerance"] == pytest.approx(12.7)
    assert got["gauge"] == pytest.approx(plain["gauge"])
    thou = HEADER + "".join(f"{p},{w},{t},{v} thou\n" for p, w, t, v in ROWS)
    got = json.loads(asked(capsys, tmp_path, thou, "gauge", "--json")[1])
    assert got["gauge"] == pytest.approx(plain["gauge"] * 0.0254)
    comma = "\ufeffValue;Trial;Person;Part\r\n" + "".join(
        f"{v};{t};{w};{p}\r\n".replace(".", ",") for p, w, t, v in reversed(ROWS)
    )
    got = json.loads(asked(capsys, tmp_path, comma, "gauge", "--json")[1])
    assert got["gauge"] == pytest.approx(plain["gauge"])
    code, out, _ = asked(capsys, tmp_path, mm, "gauge", "--tolerance", "8 mm")
    assert code == 0
    assert "Between people" in out
    assert "Analysis of variance" in out
    assert "can't be told" not in out
    code, out, _ = asked(capsys, tmp_path, mm, "gauge", "--method", "range")
    assert "means and ranges" in out


@pytest.mark.parametrize(
    ("text", "place", "mend"),
    [
        ("", "is empty", HEADER.strip()),
        (HEADER, "has no readings", "a line for each"),
        ("part,person,value\n1,A,2\n", "lacks trial", "part,person,trial,value"),
        (STUDY + "1,A,1,0.3\n", "line 92: part 1, person A, trial 1 stands in line 2", "keep one"),
        (STUDY.replace("1,A,1,0.29\n", ""), "part 1, person A, trial 1", "read those too"),
        (STUDY.replace("0.29", "nan"), "line 2, value", "leave the row out"),
        (STUDY.replace("0.29", ""), "line 2, value", "plain number"),
        (STUDY.replace("0.29", "0.29 mm"), "line 3, value", "write the unit with every value"),
        (STUDY.replace("0.29", "0.29 bar"), "line 2, value", "mm"),
        (STUDY.replace("0.29", "0.29 mn"), "line 2, value", "use one of mm"),
        (STUDY.replace("0.29", "1.2.3"), "line 2, value", "plain number"),
        (STUDY.replace("1,A,1", ",A,1"), "line 2, part", "name the part"),
        (STUDY.replace("0.29", "1e200"), "line 2, value", "correct it"),
        (STUDY.replace("0.29", "1e-300"), "smaller than can be", "correct it"),
        (HEADER + "1,A,1,2\n1,A,1.0,2\n2,A,1,3\n2,A,01,3\n", "line 3: part 1", "keep one"),
        (HEADER + "1,A,1,2\n2,A,1,3\n", "each part once", "twice or more"),
        (HEADER + "1,A,1,2\n1,A,2,3\n", "parts", "two parts"),
        (HEADER + "1,A,1,2\n1,A,2,2\n2,A,1,2\n2,A,2,2\n", "all the same", "finer gauge"),
        (
            HEADER + "".join(f"p{i},w{i},t{i},{i}\n" for i in range(200)),
            "no crossed study",
            "each person read each part",
        ),
    ],
)
def test_bad_studies(
    text: str, place: str, mend: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = asked(capsys, tmp_path, text, "gauge", "--json")
    assert (code, out) == (2, "")
    assert place in err
    assert mend in err


@pytest.mark.parametrize("width", ["0", "-1 mm", "wide", "nan", "8 mm", "8 bar"])
def test_bad_tolerances(width: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = asked(capsys, tmp_path, STUDY, "gauge", f"--tolerance={width}")
    assert code == 2
    assert "--tolerance" in err


def test_agreement(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = asked(capsys, tmp_path, COUNTS, "agreement", "--json")
    assert code == 0
    got = json.loads(out)
    assert got["kappa"] == pytest.approx(0.657142857, abs=1e-8)
    assert got["low"] < got["kappa"] < got["high"]
    assert [c["category"] for c in got["per_category"]] == ["keep", "clean", "replace"]
    named = "specimen;keep;clean;replace\n" + "".join(
        f"no {i};{row.replace(',', ';')}\n" for i, row in enumerate(COUNTS.splitlines()[1:])
    )
    assert json.loads(asked(capsys, tmp_path, named, "agreement", "--json")[1]) == got
    code, out, _ = asked(capsys, tmp_path, COUNTS, "agreement")
    assert "kappa 0.657" in out
    never = (
        COUNTS.replace("replace", "replace,scrap").replace("\n", ",0\n").replace("scrap,0", "scrap")
    )
    assert "can't be told" in asked(capsys, tmp_path, never, "agreement")[1]


@pytest.mark.parametrize(
    ("text", "place", "mend"),
    [
        ("", "is empty", "header"),
        ("keep,clean\n", "has 0 specimens", "two or more"),
        ("keep,clean\n3,0\n", "has 1 specimens", "two or more"),
        ("keep\n3\n3\n", "fewer than two categories", "name each"),
        ("keep,\n3,1\n", "category 2 has no name", "name it"),
        ("keep,keep\n3,1\n", "is there twice", "once"),
        ("Keep,keep\n3,1\n", "is there twice", "once"),
        ("part,keep,clean\n1,3,0\n2,2,0\n", "called part", "specimen"),
        ("3,0,0\n0,3,0\n", "twice", "once"),
        ("3,0\n0,3\n", "row of counts", "begin with a header"),
        ("keep,clean\n3,0\n2,0\n", "line 3: was judged by 2", "same number"),
        ("keep,clean\n3,0\n2.5,0.5\n", "line 3, keep", "0, 1, 2"),
        ("keep,clean\n3,0\n4,-1\n", "line 3, clean", "0, 1, 2"),
        ("keep,clean\n1,0\n0,1\n", "line 2: was judged by 1", "two people"),
        ("keep,clean\n3,0\n3,0\n", "one category throughout", "some are otherwise"),
        ("keep,clean\n3,0\n3\n", "line 3: has 1 fields", "write 2"),
    ],
)
def test_bad_tables(
    text: str, place: str, mend: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = asked(capsys, tmp_path, text, "agreement", "--json")
    assert (code, out) == (2, "")
    assert place in err
    assert mend in err
