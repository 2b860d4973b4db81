"""Photos sent into a test's book, cleaned in this process where that is not what is tested."""

from __future__ import annotations

import io

import pytest
from sqlalchemy import text

from kit import Floor
from pitwise.services import intake, pictures
from pitwise.services.photofile.clean import clean_picture, pixels_of, thumb_of


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Clean in this process: what the limited one does has tests of its own."""

    def take(name: str, stream: intake.Stream) -> intake.Intake:
        data = stream.read(1 << 25)
        done = clean_picture(data)
        small, width, height = thumb_of(pixels_of(done.content, done.media))
        return intake.Intake(
            done.content,
            done.media,
            done.width,
            done.height,
            done.bits,
            "0" * 64,
            small,
            width,
            height,
            done.notes,
        )

    monkeypatch.setattr(intake, "take", take)


def send(floor: Floor, data: bytes, key: str | None = None, **more: object) -> pictures.PhotoInfo:
    given: dict[str, object] = {"purpose": "new", "part": "nozzle", "part_type_id": nozzle(floor)}
    return pictures.take_in(
        floor.shop,
        floor.tech,
        io.BytesIO(data),
        key=key or floor.key(),
        **(given | more),  # type: ignore[arg-type]
    )


def nozzle(floor: Floor) -> int:
    with floor.shop.database.read() as session:
        found = session.execute(text("SELECT id FROM part_type WHERE part = 'nozzle'")).scalar()
    assert isinstance(found, int)
    return found
