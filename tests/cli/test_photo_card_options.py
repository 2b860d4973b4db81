"""`pitwise photo`: what the shop measured on its printed card."""

from __future__ import annotations

from pathlib import Path

import pytest

from pitwise.cli.main import run
from pitwise.cli.photo import card_print
from pitwise.services.errors import ServiceError


def test_lines_and_greys_reach_the_card() -> None:
    assert card_print(None, None) is None
    made = card_print("50.4,49.8", ".05,.1,.2,.3,.5,.7")
    assert made is not None
    assert (made.across_mm, made.down_mm) == (50.4, 49.8)
    assert made.greys == (0.05, 0.1, 0.2, 0.3, 0.5, 0.7)


@pytest.mark.parametrize(
    ("lines", "greys", "option", "said"),
    [
        ("40,50", None, "--card-lines", "40 mm"),
        ("50", None, "--card-lines", "1 numbers"),
        ("a,b", None, "--card-lines", "no list"),
        (None, ".1,.2", "--card-greys", "2 numbers"),
        (None, ".2,.1,.3,.4,.5,.6", "--card-greys", "rising"),
    ],
)
def test_what_cannot_be_names_its_option(
    lines: str | None, greys: str | None, option: str, said: str
) -> None:
    with pytest.raises(ServiceError) as error:
        card_print(lines, greys)
    assert error.value.place == option
    assert said in error.value.problem


def test_the_card_is_written(tmp_path: Path) -> None:
    out = tmp_path / "card.pdf"
    assert run(["photo", "--card-out", str(out)]) == 0
    assert out.read_bytes().startswith(b"%PDF")
