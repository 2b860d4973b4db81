"""`pitwise life`: pinned keys, tables, what can't be told, bad files."""

from __future__ import annotations

import io
import json
import math
import sys
from pathlib import Path
from typing import Any

import pytest

from pitwise.cli.main import run

DATA = json.loads((Path(__file__).parents[1] / "data" / "life_published.json").read_text("utf-8"))


def asked(
    capsys: pytest.CaptureFixture[str], folder: Path, text: str, *words: str
) -> tuple[int, str, str]:
    file = folder / "lives.csv"
    file.write_text(text, "utf-8")
    code = run(["life", str(file), *words])
    out, err = capsys.readouterr()
    return code, out, err


def _weeks(rows: list[Any], group: str) -> str:
    said = ""
    for row in rows:
        t = str(row).rstrip("+")
        said += f"{t},{'' if '+' in str(row) else t},{group}\n"
    return said


REMISSION = "lower,upper,group\n" + "".join(
    _weeks(DATA["remission"][name], name) for name in ("mp6", "control")
)
BETWEEN = "lower,upper\n" + "\n".join(DATA["cosmesis"]["between"])


def test_the_pinned_keys(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data = DATA["shock_absorbers"]
    rows = zip(data["distance"], data["failed"], strict=True)
    text = "lower,upper\n" + "".join(f"{t},{t if f else ''}\n" for t, f in rows)
    code, out, _ = asked(capsys, tmp_path, text, "--json")
    assert code == 0
    got = json.loads(out)
    wanted = data["expected"]
    assert got["shape"] == pytest.approx(wanted["shape"], rel=1e-9)
    assert got["scale"] == pytest.approx(wanted["scale"], rel=1e-9)
    assert got["loglik"] == pytest.approx(wanted["loglik"], rel=1e-9)
    assert got["b10"] == pytest.approx(wanted["B10"], rel=1e-9)
    for name, key in (("shape", "shape_ci"), ("scale", "scale_ci"), ("b10", "B10_ci")):
        assert got["intervals"][name] == pytest.approx(wanted[key], rel=1e-9)
    assert (got["lives"], got["ends"], got["level"]) == (38, 11, 0.95)
    assert got["logrank"] is None
    assert "groups" in got["logrank_reason"]
    assert got["groups"] == {}
    assert len(got["kaplan_meier"]) == 11
    assert sum(m["mass"] for m in got["turnbull"]) == pytest.approx(1)
    assert "below 20 ends" in got["note"]
    own = json.loads(asked(capsys, tmp_path, text, "--json", "--profile")[1])
    assert own["intervals"] == got["profile_intervals"] != got["intervals"]
    for words, shown in ((), "profile_intervals"), (("--wald",), "intervals"):
        out = asked(capsys, tmp_path, text, *words)[1]
        assert f"{got[shown]['b10'][0]:.4g} – {got[shown]['b10'][1]:.4g}" in out
        assert ("Mind: below 20 ends" in out) == bool(words)
    by = json.loads(asked(capsys, tmp_path, text, "--json", "--profile", "--level", "0.9")[1])
    assert (by["intervals_by"], by["level"]) == ("likelihood", 0.9)
    assert by["intervals"]["scale"][0] > got["intervals"]["scale"][0]


def test_between_two_looks(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    got = json.loads(asked(capsys, tmp_path, BETWEEN, "--json")[1])
    wanted = DATA["cosmesis"]["expected"]["npmle"]
    rows = [[m["from"], m["to"], m["mass"]] for m in got["turnbull"]]
    for row, there in zip(rows, wanted, strict=True):
        assert row == pytest.approx(there, abs=1e-6)
    assert got["kaplan_meier"] is None
    assert "two looks" in got["kaplan_meier_reason"]
    code, out, _ = asked(capsys, tmp_path, BETWEEN)
    assert code == 0
    assert "Turnbull" in out
    assert "Weibull fit" in out


def test_groups(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    got = json.loads(asked(capsys, tmp_path, REMISSION, "--json")[1])
    assert got["logrank"]["chi2"] == pytest.approx(16.79294099, rel=1e-8)
    assert got["logrank"]["p"] == pytest.approx(4.169e-05, rel=1e-3)
    assert got["logrank"]["way"] == "permuted"
    assert got["logrank"]["p_permuted"] == pytest.approx(1 / 2000)
    assert list(got["groups"]) == ["mp6", "control"]
    assert got["groups"]["control"]["ends"] == 21
    assert got["groups"]["mp6"]["shape"] > 1
    assert got["likelihood_ratio"]["df"] == 2
    code, out, _ = asked(capsys, tmp_path, REMISSION)
    assert code == 0
    assert "last differently" in out
    assert "Log-rank: χ² 16.793" in out


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ("5,\n7,\n", "no life has ended"),
        ("5,5\n5,5\n", "spread"),
        ("5,5\n", "spread"),
        ("0,5\n0,6\n", "first look"),
        ("0,5\n9,\n0,6\n", "earlier looks"),
    ],
)
@pytest.mark.parametrize("factor", [1e-12, 1.0, 1e12])
def test_what_can_not_be_told_has_a_reason(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], rows: str, words: str, factor: float
) -> None:
    text = "lower,upper\n" + "".join(
        ",".join(f"{float(x) * factor!r}" if x else "" for x in row.split(",")) + "\n"
        for row in rows.split()
    )
    code, out, _ = asked(capsys, tmp_path, text, "--json")
    assert code == 0
    got = json.loads(out)
    assert (got["shape"], got["scale"], got["intervals"]) == (None, None, None)
    assert words in got["reason"]
    assert got["mend"]
    assert got["turnbull"]
    code, out, _ = asked(capsys, tmp_path, text)
    assert code == 0
    assert "No fit" in out


@pytest.mark.parametrize("factor", [1e-12, 1e12])
def test_another_unit(tmp_path: Path, capsys: pytest.CaptureFixture[str], factor: float) -> None:
    rows = [(3.1, 3.1), (4.0, 7.5), (0.0, 2.5), (6.0, math.inf), (9.0, 9.0)]

    def text(size: float) -> str:
        said = "lower,upper\n"
        for a, b in rows:
            said += f"{a * size!r},{'' if math.isinf(b) else repr(b * size)}\n"
        return said

    one = json.loads(asked(capsys, tmp_path, text(1.0), "--json", "--profile")[1])
    two = json.loads(asked(capsys, tmp_path, text(factor), "--json", "--profile")[1])
    assert two["shape"] == pytest.approx(one["shape"], rel=1e-10)
    for name in ("scale", "b10", "b50", "mean"):
        assert two[name] == pytest.approx(one[name] * factor, rel=1e-10)
    assert two["intervals"]["shape"] == pytest.approx(one["intervals"]["shape"], rel=1e-8)
    masses = [[m["mass"] for m in got["turnbull"]] for got in (one, two)]
    assert masses[0] == pytest.approx(masses[1], abs=1e-10)


def test_two_ends_are_fitted_with_a_warning(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = "lower,upper\n3,3\n5,5\n9,\n"
    got = json.loads(asked(capsys, tmp_path, text, "--json")[1])
    assert got["shape"] > 0
    assert "too few" in got["note"]
    assert "Mind: 2 of 3" in asked(capsys, tmp_path, text)[1]


def test_ways_to_write(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = "lower,upper,count,group\n1.5,1.5,2,a\n2.5,4,1,b\n3,,1,a\n2,2,1,b\n"
    wanted = asked(capsys, tmp_path, plain, "--json")[1]
    comma = "\ufeffGroup;Count;Upper;Lower\r\na;2;1,5;1,5\r\nb;1;4;2,5\r\n\r\na;1;;3\r\nb;1;2;2\r\n"
    assert asked(capsys, tmp_path, comma, "--json")[1] == wanted
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(plain.encode())))
    assert run(["life", "-", "--json"]) == 0
    assert capsys.readouterr().out == wanted


@pytest.mark.parametrize(
    ("text", "place", "mend"),
    [
        ("", "is empty", "lower,upper,count,group"),
        ("lower,upper\n", "holds no life", "write a row"),
        ("lower\n3\n", "line 1: the header lacks upper", "lower,upper"),
        ("lower,uper\n3,3\n", "line 1: 'uper'", "did you mean 'upper'"),
        ("lower,upper,shade\n3,3,2\n", "line 1: 'shade'", "write lower,upper,count,group"),
        ("lower,upper,upper\n3,3,3\n", "column 'upper' is there twice", "keep one"),
        ("lower,upper\n3,x\n", "line 2, upper: 'x' is not a number", "plain number"),
        ("lower,upper\n3,inf\n", "line 2, upper: 'inf' is not finite", "leave upper empty"),
        ("lower,upper\n,3\n", "line 2, lower: is empty", "write 0"),
        ("lower,upper\n3,3\n\n4,3\n", "line 4: a life with lower 4, upper 3", "at or above lower"),
        ("lower,upper\n-3,3\n", "line 2: a life", "above zero"),
        ("lower,upper\n0,0\n", "line 2: a life", "found failed"),
        ("lower,upper,count\n3,3,0\n", "line 2: a life", "count above zero"),
        ("lower,upper,count\n3,3,\n", "line 2, count: '' is not a number", "plain number"),
        ("lower,upper,group\n3,3,\n", "line 2, group: is empty", "name the group"),
        ("lower,upper\n1e150,1e150\n", "line 2: a life", "another unit"),
        ("lower,upper\n3\n", "line 2: has 1 fields", "write 2"),
    ],
)
def test_bad_files_are_refused_with_place_and_mend(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, place: str, mend: str
) -> None:
    code, out, err = asked(capsys, tmp_path, text)
    assert code == 2
    assert out == ""
    assert "lives.csv" in err
    assert place in err
    assert mend in err


def test_a_file_that_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["life", str(tmp_path / "none.csv")]) == 2
    assert "can't be read" in capsys.readouterr().err


@pytest.mark.parametrize("level", ["0", "1", "95", "x", "nan"])
def test_a_level_out_of_range(level: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        run(["life", "-", "--level", level])
    assert stopped.value.code == 2
    assert "between 0 and 1" in capsys.readouterr().err
