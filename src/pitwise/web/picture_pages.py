"""Photos of the book, in full and small, as inert files: nothing in them can run."""

from __future__ import annotations

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


def _answer(request: Request, info: pictures.PhotoInfo, media: str, content: bytes) -> Response:
    # The number of a photo always means the same bytes.
    tag = f'"{info.sha256}-{len(content)}"'
    headers = {
        "Cache-Control": "private, max-age=31536000, immutable",
        "Content-Security-Policy": _POLICY,
        "Content-Disposition": f'inline; filename="photo-{info.id}.{_MEDIA[media]}"',
        "ETag": tag,
        "Vary": "Cookie",
    }
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
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
    return _answer(request, info, *pictures.shown(shop_of(request), actor, photo_id))


@router.get("/pictures/{photo_id}/small")
def picture_small(request: Request, actor: Viewer, photo_id: Id) -> Response:
    """Show a photo small."""
    info = _there(request, actor, photo_id)
    return _answer(request, info, *pictures.thumb(shop_of(request), actor, photo_id))
