"""`pitwise photo --four-turns` and `--new`, with the measuring itself stood in for."""

from __future__ import annotations

import json

import numpy as np
import pytest

from pitwise.cli.main import run
from pitwise.measure.photo.result import PhotoRefused

REFUSED = PhotoRefused("rim-not-found", "no full rim of a face was found", "lay it on dark cloth")


@pytest.fixture
def refusing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        "pitwise.services.intake.decode_file", lambda place: np.zeros((9, 9), np.uint8)
    )
    monkeypatch.setattr(
        "pitwise.measure.photo.measure.measure_photo", lambda image, **given: REFUSED
    )


@pytest.mark.usefixtures("refusing")
def test_a_refused_photo_refuses_the_whole(capsys: pytest.CaptureFixture[str]) -> None:
    names = ["a.jpg", "b.jpg", "c.jpg", "d.jpg"]
    assert run(["photo", *names, "--rim-mm", "12", "--four-turns", "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["refused"]["reason"] == "rim-not-found"
    assert run(["photo", "a.jpg", "--rim-mm", "12", "--new", "n.jpg"]) == 1
    assert "The photo when new: not measured" in capsys.readouterr().out


@pytest.mark.usefixtures("refusing")
@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["a.jpg", "b.jpg", "--rim-mm", "12", "--four-turns"], "name four"),
        (["a.jpg", "b.jpg", "--rim-mm", "12", "--new", "n.jpg"], "the one photo"),
        (["a.jpg", "--new", "n.jpg"], "--rim-mm"),
    ],
)
def test_what_cannot_be_asked_is_bad_input(
    words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["photo", *words]) != 0
    assert said in capsys.readouterr().err
