"""The documents hold: links, command lines, environment variables, the worked example."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path

import pytest

from pitwise.bench.case import parse_case
from pitwise.bench.decide import decide
from pitwise.causes.diagnose import diagnose
from pitwise.causes.file import parse_observations
from pitwise.causes.words import BANDS
from pitwise.cli.main import parser
from pitwise.trade import base_sheet

ROOT = Path(__file__).resolve().parent.parent
PAGES = [ROOT / "README.md", ROOT / "CONTRIBUTING.md", *sorted((ROOT / "docs").glob("*.md"))]
_LINK = re.compile(r"\]\(([^)#\s]+)")


def _block(text: str, mark: str) -> list[str]:
    return re.findall(rf"<!-- {mark} -->\n```\w*\n(.*?)```", text, re.DOTALL)


COMMANDS = [
    line
    for page in PAGES
    for block in _block(page.read_text("utf-8"), "checked")
    for line in block.splitlines()
]


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_every_relative_link_leads_somewhere(page: Path) -> None:
    links = [x for x in _LINK.findall(page.read_text("utf-8")) if "://" not in x]
    assert [x for x in links if not (page.parent / x).exists()] == []


def test_every_command_in_a_block_is_marked_as_checked() -> None:
    fenced = [
        line
        for page in PAGES
        for block in re.findall(r"```sh\n(.*?)```", page.read_text("utf-8"), re.DOTALL)
        for line in block.splitlines()
        if line.startswith("pitwise ")
    ]
    assert fenced == COMMANDS


@pytest.mark.parametrize("line", COMMANDS)
def test_every_command_line_parses(line: str) -> None:
    program, *words = shlex.split(line)
    assert program == "pitwise"
    assert callable(parser().parse_args(words).run)


def test_every_environment_variable_is_named() -> None:
    read: set[str] = set()
    for source in (ROOT / "src").rglob("*.py"):
        read.update(re.findall(r"PITWISE_\w+", source.read_text("utf-8")))
    text = "".join(page.read_text("utf-8") for page in PAGES)
    assert read
    assert sorted(name for name in read if name not in text) == []


def test_the_example_gives_the_output_shown() -> None:
    text = (ROOT / "docs" / "decide.md").read_text("utf-8")
    (given,), (shown,) = _block(text, "example input"), _block(text, "example output")
    sheet = base_sheet()
    got = decide(sheet, parse_case(sheet, given)).plain()
    wanted = json.loads(shown)
    # The sheet's hash moves with every sheet; what it decides may not.
    assert got.pop("sheet").keys() == wanted.pop("sheet").keys()
    assert json.loads(json.dumps(got)) == wanted


def test_the_causes_example_gives_the_output_shown() -> None:
    text = (ROOT / "docs" / "causes.md").read_text("utf-8")
    (given,), (shown,) = _block(text, "causes input"), _block(text, "causes output")
    sheet = base_sheet()
    got = diagnose(sheet, parse_observations(sheet, given)).plain()
    wanted = json.loads(shown)
    for row, there in zip(wanted["causes"], got["causes"], strict=False):
        # Two figures are shown, and the sheet's numbers are bettered now and then.
        assert there["p"] == pytest.approx(row.pop("p"), abs=0.05)
        assert {key: there[key] for key in row} == row
    assert wanted["step"].items() <= got["step"].items()
    assert [
        flag.items() <= there.items()
        for flag, there in zip(wanted["flags"], got["flags"], strict=True)
    ] == [True]


def test_the_words_of_probability_are_those_of_the_code() -> None:
    text = (ROOT / "docs" / "causes.md").read_text("utf-8")
    rows = re.findall(r"^\| ([a-z ]+) \| (\d+) % \|$", text, re.MULTILINE)
    assert [(float(p) / 100, word) for word, p in rows] == list(BANDS)
