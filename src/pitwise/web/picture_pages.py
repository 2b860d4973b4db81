"""Photos of the book, in full and small, as inert files: nothing in them can run."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response

from pitwise.services import pictures
from pitwise.services.errors import NotFoundError
from pitwise.services.permissions import Actor
from pitwise.web.access import Id, needs, shop_of

router = APIRouter()
Viewer = Annotated[Actor, Depends(needs("view"))]
# Whatever hides in a picture: no script, no form, no plug-in, nothing fetched, in no origin.
_POLICY = "default-src 'none'; sandbox; frame-ancestors 'none'"
_MEDIA = {"image/jpeg": "jpg", "image/png": "png"}


def _answer(
    request: Request, info: pictures.PhotoInfo, size: str, read: Callable[[], tuple[str, bytes]]
) -> Response:
    # The number of a photo always means the same bytes: who has them is told so before any
    # are read from the book.
    tag = f'"{info.sha256}-{size}"'
    headers = {
        "Cache-Control": "private, max-age=31536000, immutable",
        "Content-Security-Policy": _POLICY,
        "ETag": tag,
        "Vary": "Cookie",
    }
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    media, content = read()
    headers["Content-Disposition"] = f'inline; filename="photo-{info.id}.{_MEDIA[media]}"'
    return Response(content, media_type=media, headers=headers)


def _there(request: Request, actor: Actor, photo_id: int) -> pictures.PhotoInfo:
    info = pictures.photo_info(shop_of(request), actor, photo_id)
    if info.withdrawn:
        raise NotFoundError("photo", f"photo {photo_id} was withdrawn", "bring it back first")
    return info


@router.get("/pictures/{photo_id}")
def picture(request: Request, actor: Viewer, photo_id: Id) -> Response:
    """Show a photo in full, as it is measured."""
    info = _there(request, actor, photo_id)
    shop = shop_of(request)
    return _answer(request, info, "full", lambda: pictures.shown(shop, actor, photo_id))


@router.get("/pictures/{photo_id}/small")
def picture_small(request: Request, actor: Viewer, photo_id: Id) -> Response:
    """Show a photo small."""
    info = _there(request, actor, photo_id)
    shop = shop_of(request)
    return _answer(request, info, "small", lambda: pictures.thumb(shop, actor, photo_id))
