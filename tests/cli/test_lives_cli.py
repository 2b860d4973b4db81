"""`pitwise lives` on a book of its own."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest

from kit import Floor
from life_kit import lose_all
from pitwise.cli.main import run
from pitwise.services.shopfloor import open_book


def _book(lite: Floor) -> str:
    return lite.shop.database.engine.url.render_as_string(hide_password=False)


def test_json_csv_and_table_tell_the_same(
    lite: Floor, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    lose_all(lite, (300, 420, 360))
    lose_all(lite, (500, 640, 560), torch=lite.other)
    book = _book(lite)
    assert run(["--database", book, "lives", "--part", "electrode", "--by", "torch", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["part"], told["end"], told["measure"], told["by"]) == (
        "electrode",
        "lost",
        "starts",
        "torch",
    )
    assert [g["group"] for g in told["groups"]] == ["Torch A", "Torch B"]
    for group in told["groups"]:
        low, high = group["intervals"]["b50"]
        assert low < group["b50"] < high
        assert group["lost"] == 3
        assert group["b10"] < group["b50"]
    assert [x["lower"] for x in told["groups"][0]["lives"]] == [300, 420, 360, None]
    assert [x["upper"] for x in told["groups"][0]["lives"]] == [300, 420, 360, None]
    assert told["compared"]["logrank"]["df"] == 1
    assert 0 <= told["compared"]["likelihood_ratio"]["p"] <= 1
    low, high = told["ratio"]["interval"]
    assert low < told["ratio"]["ratio"] < high < 1
    assert "times as long as those of Torch B" in told["compared_words"]
    argv = ["--database", book, "lives", "--part", "electrode", "--by", "torch", "--end", "lost"]
    assert run([*argv, "--csv"]) == 0
    text = capsys.readouterr().out
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [(r["lower"], r["upper"], r["group"]) for r in rows][:2] == [
        ("300", "300", "Torch A"),
        ("420", "420", "Torch A"),
    ]
    file = tmp_path / "lives.csv"
    file.write_text(text)
    assert run(["life", str(file), "--json"]) == 0
    read = json.loads(capsys.readouterr().out)
    by_name = {g["group"]: g for g in told["groups"]}
    groups = read["groups"]
    assert len(groups) == 2
    for name, group in (
        groups.items() if isinstance(groups, dict) else ((g["group"], g) for g in groups)
    ):
        assert group["shape"] == pytest.approx(by_name[name]["shape"])
        assert group["scale"] == pytest.approx(by_name[name]["scale"])
    assert run(["--database", book, "lives"]) == 0
    text = capsys.readouterr().out
    for words in ("All parts", "Electrode: until lost in the cut", "half of the electrodes"):
        assert words.lower() in text.lower()
    assert run(["--database", book, "lives", "--part", "nozzle", "--by", "cure"]) == 0
    assert "No case is closed yet" in capsys.readouterr().out


def test_bad_words_name_place_and_mend(lite: Floor, capsys: pytest.CaptureFixture[str]) -> None:
    for words, said in (
        (["--part", "cap"], "part: 'cap' is not known. Mend: choose one of"),
        (["--process", "90 A"], "--process: '90 A' is no process. Mend: the book has: 300 A"),
        (["--by", "torch", "--one", "Torch Z"], "group: no life is in 'Torch Z'"),
        (["--by", "cure", "--case", "x"], "--case: 'x' is not a whole number"),
    ):
        assert run(["--database", _book(lite), "lives", *words]) == 2
        assert said in capsys.readouterr().err


def test_an_empty_book_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    url = f"sqlite:///{tmp_path / 'new.db'}"
    shop = open_book(url)
    shop.prepare()
    shop.close()
    assert run(["--database", url, "lives"]) == 2
    assert "no part was ever fitted" in capsys.readouterr().err


@pytest.mark.parametrize(
    "words",
    [
        ["lives"],
        ["money"],
        ["month"],
        ["shelf", "stock"],
        ["shelf", "alerts"],
        ["torch"],
        ["replace-at", "--book"],
    ],
)
def test_a_mistyped_address_makes_no_book(
    words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["--database", f"sqlite:///{tmp_path / 'boook.db'}", *words]) == 2
    said = capsys.readouterr().err
    assert "boook.db: there is no book. Mend: check --database" in said
    assert list(tmp_path.iterdir()) == []


def test_an_address_that_is_none_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--database", "book.db", "torch"]) == 2
    assert "its address can't be read. Mend: write sqlite:///" in capsys.readouterr().err
