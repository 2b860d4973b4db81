"""Photos measured in a process of their own: what comes back, what a limit does, taking turns."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import pytest
from PIL import Image

import picture_files as files
from kit import Floor
from picture_kit import quick, send
from pitwise.measure.specimen.draw import render
from pitwise.measure.specimen.scene import Scene
from pitwise.services import limited
from pitwise.services.errors import NotFoundError, ServiceError
from pitwise.services.limited import Limits
from pitwise.services.measure_worker import measure

__all__ = ["quick"]

pytestmark = pytest.mark.xdist_group("pictures")


def face() -> tuple[Image.Image, float]:
    """A rendered nozzle's face, and the diameter of its hole in mm."""
    scene = Scene(width=760, height=720, px_per_mm=45.0, rim_mm=14.0, hole_mm=3.0)
    picture, truth = render(scene, 4)
    return Image.fromarray(picture), truth.diameter_mm


def test_a_photo_is_measured_and_drawn(lite: Floor, quick: None) -> None:
    picture, diameter_mm = face()
    info = send(lite, files.jpeg(picture, quality=97, subsampling=0))
    told = measure(lite.shop, [info.id], rim_mm=14.0, feature="orifice", new_photo_id=info.id)
    body = told["body"]
    assert body["refused"] is None, body
    assert abs(body["diameter_mm"]["value"] - diameter_mm) < 0.02
    assert told["bodies"][0]["diameter_mm"] == body["diameter_mm"]
    assert told["picture"].startswith(b"\xff\xd8\xff")
    # The very same photo: nothing changed.
    assert body["change"]["changed_area_mm2"]["value"] < 0.05
    assert told["change_picture"].startswith(b"\xff\xd8\xff")


def test_a_photo_that_shows_nothing_is_a_refusal_not_an_error(lite: Floor, quick: None) -> None:
    info = send(lite, files.png(Image.new("RGB", (400, 300), (90, 90, 90))))
    told = measure(lite.shop, [info.id], rim_mm=20.0, feature="orifice")
    assert told["body"]["refused"]["reason"]
    assert told["body"]["diameter_mm"] is None


def test_one_that_goes_astray_is_ended(lite: Floor, quick: None) -> None:
    info = send(lite, files.jpeg())
    with pytest.raises(ServiceError, match="took longer"):
        measure(lite.shop, [info.id], rim_mm=20.0, feature="orifice", limits=Limits(wall_s=0.02))
    with pytest.raises(NotFoundError):
        measure(lite.shop, [10**6], rim_mm=20.0, feature="orifice")
    with pytest.raises(ServiceError, match="0 were given"):
        measure(lite.shop, [], rim_mm=20.0, feature="orifice")


def test_two_at_once_and_no_more(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    now, most, lock = 0, 0, threading.Lock()

    def run(*_given: object) -> int:
        nonlocal now, most
        with lock:
            now += 1
            most = max(most, now)
        time.sleep(0.05)
        with lock:
            now -= 1
        return 0

    monkeypatch.setattr(limited, "_run", run)
    (tmp_path / limited.ANSWER).write_text("{}")
    threads = [
        threading.Thread(target=limited.run_limited, args=("x", tmp_path), kwargs={"place": "a"})
        for _ in range(6)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert most == 2
    monkeypatch.setattr(limited, "TURN_S", 0.01)
    with limited._turns, limited._turns, pytest.raises(ServiceError, match="being worked on"):
        limited.run_limited("x", tmp_path, place="a")


@pytest.mark.parametrize("answer", ["", "[]", "{", '"x"', "[" * 100_000])
def test_an_answer_that_is_none_is_not_believed(
    answer: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(limited, "_run", lambda *_given: 0)
    (tmp_path / limited.ANSWER).write_text(answer)
    (tmp_path / "errors.txt").write_bytes(b"\xff" * 5000)
    with pytest.raises(ServiceError, match="stopped the program"):
        limited.run_limited("x", tmp_path, place="a")
