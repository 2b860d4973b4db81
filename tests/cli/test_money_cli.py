"""`pitwise money` and `pitwise month`: pinned keys, exit codes, errors with their mend."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from kit import Floor
from money_kit import small_book
from pitwise.cli.main import run


@pytest.fixture(autouse=True)
def _zone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PITWISE_TIMEZONE", "UTC")


def book(floor: Floor) -> list[str]:
    return ["--database", str(floor.shop.database.engine.url)]


def test_money_as_json_and_as_a_table(lite: Floor, capsys: pytest.CaptureFixture[str]) -> None:
    small_book(lite)
    days = ["--from", "2031-03-01", "--to", "2031-03-31"]
    assert run([*book(lite), "money", *days, "--by", "cause", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["from"] == "2031-03-01"
    assert data["by"] == "cause"
    assert data["total"]["parts"] == 20
    assert data["total"]["parts_without_price"] == 12
    (cost,) = data["total"]["cost"]
    assert cost["currency"] == "EUR"
    assert cost["cost"] == 200
    assert cost["per_start"] == pytest.approx(200 / 300)
    assert cost["per_metre"] == {"value": pytest.approx(200 / 150), "low": None, "high": None}
    assert data["ended_early"]["parts"] == 3
    assert {a["currency"] for a in data["ended_early"]["money"]} == {"EUR", "cost units"}
    assert run([*book(lite), "money", *days]) == 0
    text = capsys.readouterr().out
    assert "at least 200 EUR" in text
    assert "12 of 20 parts" in text
    assert "Electrode: emitter blown or face melted" in text


def test_month_as_json_table_and_paper(
    lite: Floor, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    small_book(lite)
    assert run([*book(lite), "month", "2031-03", "--json"]) == 2
    assert "has not begun" in capsys.readouterr().err


def test_a_month_of_the_past(
    lite: Floor, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    out = tmp_path / "sheet.pdf"
    assert run([*book(lite), "month", "2020-03", "--json", "--pdf", str(out)]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["month"] == "2020-03"
    assert data["before"] == "2020-02"
    assert "holds nothing of March 2020" in data["empty"]
    assert out.read_bytes().startswith(b"%PDF")
    assert run([*book(lite), "month", "2020-03"]) == 0
    assert "holds nothing of March 2020" in capsys.readouterr().out
    assert run([*book(lite), "month", "2020-03", "--pdf", str(tmp_path / "no" / "x.pdf")]) == 2
    assert "can't be written" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["money", "--from", "May"], "from: 'May' is no day"),
        (["money", "--from", "2031-05-02", "--to", "2031-05-01"], "swap the two days"),
        (["month", "2031-5"], "write it as 2026-10"),
    ],
)
def test_bad_words_are_refused_with_the_mend(
    lite: Floor, capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    assert run([*book(lite), *words]) == 2
    assert said in capsys.readouterr().err


def test_an_empty_period_says_so(lite: Floor, capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*book(lite), "money", "--from", "2020-01-01", "--to", "2020-01-31"]) == 0
    assert "nothing was fitted" in capsys.readouterr().out
