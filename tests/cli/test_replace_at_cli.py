"""`pitwise replace-at`."""

from __future__ import annotations

import json

import pytest

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
