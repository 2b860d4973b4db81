"""`pitwise photo` from a file."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from kit_photo import face
from pitwise.cli.main import run
from pitwise.cli.photo_rim import read_rim


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


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--rim-mm", "0.55"], "is it in inches? Then write 0.55in (13.970 mm)"),
        (["--rim-mm", "551"], "is it in thou? Then write 551thou (13.995 mm)"),
        (["--rim-mm", "wide"], "can't read 'wide' as a length"),
        (["--rim-mm", "0"], "give 3 to 120 mm"),
        (["--rim-u-mm", "0.01"], "give --rim-mm D too"),
        (["--rim-mm", "8", "--rim-u-mm", "3"], "--rim-u-mm"),
        (["--rim-mm", "8", "--picture", "o.jpg"], "name it OUT.png"),
        (["--rim-mm", "8", "--picture", "/nope/o.png"], "there is no folder"),
        (["--rim-mm", "8", "--four-turns", "--new", "n.png"], "one of them at a time"),
    ],
)
def test_slips_are_told_before_a_photo_is_read(
    words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["photo", "nowhere.png", *words]) == 2
    told = " ".join(capsys.readouterr().err.split())
    assert said in told


def test_a_wrong_option_is_named_as_typed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    photo = _save(tmp_path, "a.png", face(size=200, px_per_mm=20, over=2))
    assert run(["photo", photo, "--rim-mm", "8.00", "--no-card", "--false-alarm", "0"]) == 2
    assert "--false-alarm" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "u"),
    [
        (["--rim-mm", "8.00"], 0.01 / math.sqrt(12)),
        (["--rim-mm", "8.0 mm"], 0.1 / math.sqrt(12)),
        (["--rim-mm", "0.315in"], 0.0254 / math.sqrt(12)),
        (["--rim-mm", "8", "--rim-u-mm", "0.02"], 0.02),
    ],
)
def test_the_rims_uncertainty_is_the_typed_ones(words: list[str], u: float) -> None:
    given = dict(zip(words[::2], words[1::2], strict=True))
    rim = read_rim(given["--rim-mm"], given.get("--rim-u-mm"))
    assert rim is not None
    assert rim.mm == pytest.approx(8, abs=0.002)
    assert rim.u_mm == pytest.approx(u)


def test_several_photos_keep_the_nicks_and_the_rims_u(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    photo = _save(tmp_path, "a.png", face())
    words = ["photo", photo, photo, "--rim-mm", "8.00", "--no-card"]
    assert run([*words, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["nicks"] == []
    assert told["px_per_mm"] == pytest.approx(42, abs=0.1)
    assert "noise_floor" in told["roundness_mm"]
    row = next(r for r in told["each"][0]["budget"] if r["name"] == "rim's diameter")
    assert row["u_mm"] == pytest.approx(
        told["diameter_mm"]["value"] / 8 * 0.01 / math.sqrt(12), rel=1e-3
    )
    blind = _save(tmp_path, "b.png", face(hole_mm=0.01))
    assert run(["photo", blind, blind, "--rim-mm", "8.00", "--no-card", "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["nicks"] is None
    assert told["px_per_mm"] is None


def test_the_card_is_written(tmp_path: Path) -> None:
    out = tmp_path / "card.pdf"
    assert run(["photo", "--card-out", str(out)]) == 0
    assert out.read_bytes().startswith(b"%PDF")
