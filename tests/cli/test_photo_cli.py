"""`pitwise photo` from a file."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from kit_photo import face
from pitwise.cli.main import run


def _save(folder: Path, name: str, image: np.ndarray) -> str:
    place = folder / name
    Image.fromarray(image).save(place)
    return str(place)


def test_pinned_keys_and_picture(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    photo = _save(tmp_path, "a.png", face())
    out = tmp_path / "out.png"
    code = run(["photo", photo, "--rim-mm", "8", "--json", "--no-card", "--picture", str(out)])
    told = json.loads(capsys.readouterr().out)
    assert code == 0
    assert {"value", "u"} <= told["diameter_mm"].keys()
    assert {"value", "noise_floor"} <= told["roundness_mm"].keys()
    assert {"value", "u"} <= told["off_centre_mm"].keys()
    assert told["nicks"] == []
    assert told["px_per_mm"] == pytest.approx(42, abs=0.1)
    assert told["refused"] is None
    with Image.open(out) as drawn:
        assert drawn.format == "PNG"


def test_a_refusal_is_exit_1_with_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    photo = _save(tmp_path, "a.png", face(hole_mm=0.01))
    assert run(["photo", photo, "--rim-mm", "8", "--json", "--no-card"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["diameter_mm"] is None
    assert told["refused"]["reason"] == "hole-not-found"
    assert told["refused"]["mend"]


def test_bad_input_is_exit_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    photo = _save(tmp_path, "a.png", face(size=200, px_per_mm=20, over=2))
    assert run(["photo", photo, "--rim-mm", "-3", "--no-card"]) == 2
    assert run(["photo", photo, "--rim-mm", "8", "--tone", "loud"]) == 2
    assert run(["photo"]) == 2
    told = capsys.readouterr().err
    assert told.count("pitwise photo:") == 3


def test_the_card_is_written(tmp_path: Path) -> None:
    out = tmp_path / "card.pdf"
    assert run(["photo", "--card-out", str(out)]) == 0
    assert out.read_bytes().startswith(b"%PDF")
