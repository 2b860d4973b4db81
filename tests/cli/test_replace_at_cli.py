"""`pitwise replace-at`."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from kit_replacement_book import open_worn
from pitwise.cli.main import run

EXAMPLE = ["replace-at", "--shape", "2.5", "--scale", "1000", "--planned", "1", "--lost", "5"]


def test_the_worked_example_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*EXAMPLE, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["age"] == pytest.approx(493.0469599, abs=1e-4)
    assert found["cost_rate"] == pytest.approx(0.0034620427387821915, rel=1e-9)
    assert found["saving_share"] == pytest.approx(
        1 - found["cost_rate"] / found["run_to_loss_rate"]
    )
    assert found["reason"] is None
    assert found["flat"]["from"] < found["age"] < found["flat"]["to"]


def test_never_is_null_with_its_reason(capsys: pytest.CaptureFixture[str]) -> None:
    words = [*EXAMPLE, "--json"]
    words[2] = "0.9"
    assert run(words) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["age"] is None
    assert "Old parts are no likelier" in found["reason"]
    assert found["flat"]["to"] is None


def test_the_table_says_how_far_the_exact_figure_matters(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert run(EXAMPLE) == 0
    out = capsys.readouterr().out
    assert "493.047" in out
    assert "does not matter" in out


@pytest.mark.parametrize(
    ("place", "value"),
    [("--shape", "0"), ("--scale", "-1"), ("--lost", "nan"), ("--planned", "inf")],
)
def test_what_cannot_be_is_named_with_its_mend(
    place: str, value: str, capsys: pytest.CaptureFixture[str]
) -> None:
    words = list(EXAMPLE)
    words[words.index(place) + 1] = value
    assert run(words) == 2
    error = capsys.readouterr().err
    assert place in error
    assert "above 0" in error


def test_a_file_of_lives_gives_the_age_with_its_range(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lives = tmp_path / "lives.csv"
    ends = [310, 420, 480, 560, 610, 655, 700, 760, 850, 990]
    rows = [f"{x},{x}" for x in ends] + ["500,"] * 8
    lives.write_text("lower,upper\n" + "\n".join(rows) + "\n", "utf-8")
    words = ["replace-at", "--lives", str(lives), "--planned", "100", "--lost", "900"]
    assert run([*words, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    low, high = found["intervals"]["age"]
    assert low < found["age"] < high
    assert (found["lives"], found["ends"]) == (18, 10)
    assert run(["life", str(lives), "--json"]) == 0
    life = json.loads(capsys.readouterr().out)
    assert found["shape"] == pytest.approx(life["shape"])
    assert run(words) == 0
    assert "the best age lies between" in capsys.readouterr().out
    lives.write_text("lower,upper\n500,\n400,400\n", "utf-8")
    assert run(words) == 2
    assert "too few to tell" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "place"),
    [
        (["--shape", "2"], "--scale"),
        (["--lives", "x.csv", "--planned", "1"], "--lost"),
        (["--lives", "x.csv", "--shape", "2", "--planned", "1", "--lost", "2"], "--shape"),
        (["--book", "--lost", "2"], "--lost"),
        ([*EXAMPLE[1:], "--process", "p"], "--process"),
    ],
)
def test_what_does_not_go_together_is_named(
    words: list[str], place: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["replace-at", *words]) == 2
    assert f"{place}:" in capsys.readouterr().err


def test_the_book_by_the_command(
    tmp_path: Path, session_folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with open_worn(tmp_path, session_folder) as floor:
        base = ["--database", str(floor.shop.database.engine.url), "replace-at", "--book"]
        assert run([*base, "--json"]) == 0
        found = json.loads(capsys.readouterr().out)
        assert found["process"] == "300 A mild steel"
        assert found["limit_mm"] == 1.5
        rules = {r["name"]: r for r in found["rules"]}
        assert sum(r["advised"] for r in found["rules"]) == 1
        habit, best = rules["The habit now"], rules["Best looks and depth"]
        assert best["depth_mm"] <= 1.5
        assert best["past_limit_share"] <= 0.05
        assert best["saving_per_year"]["value"] == pytest.approx(
            habit["per_year"]["value"] - best["per_year"]["value"], rel=1e-6
        )
        assert habit["per_metre"] is None
        grid = found["best"]["grid"]
        assert max(grid["depth_mm"]) <= 1.5
        assert len(grid["per_start"]) == len(grid["every_starts"])
        assert run(base) == 0
        out = capsys.readouterr().out
        assert found["verdict"] in out
        assert "(advised)" in out
        assert run([*base, "--process", "300 A mild stel"]) == 2
        assert "did you mean '300 A mild steel'" in capsys.readouterr().err


def test_a_decimal_comma_will_do(capsys: pytest.CaptureFixture[str]) -> None:
    rest = ["--scale", "1000", "--planned", "1", "--lost", "9", "--json"]
    found = []
    for shape in ("2,5", "2.5"):
        assert run(["replace-at", "--shape", shape, *rest]) == 0
        found.append(capsys.readouterr().out)
    assert found[0] == found[1]
    for shape in ("x", "1,2.5", "1,2,5"):
        with pytest.raises(SystemExit) as stopped:
            run(["replace-at", "--shape", shape, *rest])
        assert stopped.value.code == 2
        assert "write a plain number, such as 2.5" in capsys.readouterr().err
