"""Photos on pages: who sees them, with which headers; hostile uploads over the wire."""

from __future__ import annotations

import asyncio
import io
from collections.abc import Callable, Iterator
from typing import Annotated, Any

import pytest
from fastapi import Depends, Request
from fastapi.testclient import TestClient
from PIL import Image
from starlette.responses import JSONResponse, Response
from starlette.types import Message

import picture_files as files
from kit import Floor
from pitwise.services import pictures
from pitwise.services.errors import ServiceError
from pitwise.services.permissions import Actor
from pitwise.web import security, uploads
from pitwise.web.access import needs, shop_of
from pitwise.web.uploads import photo_form

pytestmark = pytest.mark.xdist_group("pictures")
Client = Callable[[str | None], TestClient]
HERE = "/test/photo"


async def take(request: Request, actor: Annotated[Actor, Depends(needs("photos"))]) -> Response:
    """Take a photo in, as the bench does."""
    async with photo_form(request) as form:
        info = pictures.take_in(
            shop_of(request),
            actor,
            form.photo(),
            key=form.fields["key"],
            purpose="bench",
            part="nozzle",
            inspection_id=int(form.fields["inspection"]),
            name=form.name,
        )
    return JSONResponse({"id": info.id})


@pytest.fixture
def door(client_of: Client, monkeypatch: pytest.MonkeyPatch) -> TestClient:
    """A technician's client of an app with a route that takes photos."""
    monkeypatch.setitem(security.LARGER_BODY, HERE, security.PHOTO_BODY)
    client = client_of("tom")
    client.app.add_api_route(HERE, take, methods=["POST"])  # type: ignore[attr-defined]
    return client


def post(door: TestClient, floor: Floor, draft: int, name: str, data: bytes) -> Any:
    return door.post(
        HERE,
        data={"key": floor.key(), "inspection": str(draft)},
        files={"photo": (name, data, "text/html")},
    )


def test_a_photo_is_shown_inert_and_may_be_kept_by_the_browser(
    lite: Floor, door: TestClient, client_of: Client
) -> None:
    answer = post(door, lite, lite.draft(), "<b>../x.html", files.jpeg(files.scene(960, 640)))
    assert answer.status_code == 200, answer.text
    number = answer.json()["id"]
    for path, size in ((f"/pictures/{number}", 960), (f"/pictures/{number}/small", 480)):
        shown = door.get(path)
        assert shown.status_code == 200
        assert shown.headers["content-type"] == "image/jpeg"
        assert "sandbox" in shown.headers["content-security-policy"]
        assert "script" not in shown.headers["content-security-policy"]
        assert shown.headers["x-content-type-options"] == "nosniff"
        assert shown.headers["cross-origin-resource-policy"] == "same-origin"
        assert shown.headers["cache-control"] == "private, max-age=31536000, immutable"
        assert shown.headers["content-disposition"] == f'inline; filename="photo-{number}.jpg"'
        with pytest.MonkeyPatch.context() as no_reading:
            # Who has the picture is told so without its bytes being read.
            no_reading.setattr(pictures, "shown", None)
            no_reading.setattr(pictures, "thumb", None)
            again = door.get(path, headers={"If-None-Match": shown.headers["etag"]})
        assert (again.status_code, again.content) == (304, b"")
        assert Image.open(io.BytesIO(shown.content)).width == size
        assert client_of(None).get(path).status_code == 303
    pictures.withdraw(lite.shop, lite.tech, number)
    assert door.get(f"/pictures/{number}").status_code == 404
    assert door.get("/pictures/999999").status_code == 404
    assert door.get("/pictures/0").status_code == 422


def test_hostile_uploads_are_refused_in_words_and_the_server_goes_on(
    lite: Floor, door: TestClient
) -> None:
    draft = lite.draft()
    for name, status, words in (
        ("square.png", 422, "50000 × 50000"),
        ("a.svg", 422, "SVG"),
        ("icc-bomb.png", 422, "profile"),
    ):
        data = next(d for n, d, _ in files.refused() if n == name)
        answer = post(door, lite, draft, name, data)
        assert answer.status_code == status
        assert words in answer.text
    assert post(door, lite, draft, "a.jpg", files.jpeg()).status_code == 200
    assert pictures.photos_of(lite.shop, lite.tech, draft)[0].width == 96


def test_a_body_beyond_the_cap_is_cut_off_while_it_comes(lite: Floor, door: TestClient) -> None:
    draft, data = lite.draft(), files.jpeg()
    over = data + b"\0" * (security.PHOTO_BODY - len(data))
    assert post(door, lite, draft, "a.jpg", over).status_code == 413

    def pieces() -> Iterator[bytes]:
        """A body that does not tell its length."""
        head = b'--x\r\nContent-Disposition: form-data; name="photo"; filename="a"\r\n\r\n'
        yield head + data
        for _ in range(31):
            yield b"\0" * (1 << 20)

    answer = door.post(
        HERE, content=pieces(), headers={"Content-Type": "multipart/form-data; boundary=x"}
    )
    assert answer.status_code == 422
    assert "larger than 25 MB" in answer.text


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ({"data": {"key": "some-long-key"}}, "none was chosen"),
        ({"files": [("photo", ("a", b"x")), ("photo", ("b", b"x"))]}, "could not be read"),
        ({"files": {"photo": ("", b"")}}, "none was chosen"),
        ({"data": {"key": "x" * 300_000}, "files": {"photo": ("a", b"x")}}, ""),
        (
            {
                "content": b"--x\r\nno header at all",
                "headers": {"Content-Type": "multipart/form-data; boundary=x"},
            },
            "",
        ),
    ],
)
def test_a_form_that_is_none_is_refused(door: TestClient, form: dict[str, Any], words: str) -> None:
    answer = door.post(HERE, **form)
    assert answer.status_code == 422
    assert words in answer.text


def test_who_dawdles_is_left_standing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(uploads, "UPLOAD_S", 0.05)

    async def receive() -> Message:
        await asyncio.sleep(60)
        raise AssertionError

    async def open_form() -> None:
        scope = {
            "type": "http",
            "method": "POST",
            "headers": [(b"content-type", b"multipart/form-data; boundary=x")],
        }
        async with photo_form(Request(scope, receive)):
            raise AssertionError

    with pytest.raises(ServiceError, match="did not come within"):
        asyncio.run(open_form())


def test_other_paths_take_no_photo() -> None:
    assert security.most_of("/pictures/1") == security.MAX_BODY
