"""Sign-in, sign-out, the first account, one's own password, about."""

from __future__ import annotations

import hmac
from typing import Annotated
from urllib.parse import urlsplit

from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import RedirectResponse, Response

from pitwise.services import people
from pitwise.services.errors import ConflictError, ServiceError
from pitwise.services.permissions import Actor
from pitwise.web.access import COOKIE, anyone, needs, shop_of
from pitwise.web.render import go, page

router = APIRouter()
Anyone = Annotated[Actor | None, Depends(anyone)]
SignedIn = Annotated[Actor, Depends(needs("sign-out"))]


def _safe_next(wanted: str) -> str:
    """Only a path of our own: never another host, never a scheme."""
    parts = urlsplit(wanted)
    own = wanted.startswith("/") and not wanted.startswith(("//", "/\\")) and not parts.netloc
    return wanted if own and "\\" not in wanted else "/torches"


@router.get("/")
def home(_actor: Anyone) -> Response:
    """Lead to the torches."""
    return RedirectResponse("/torches", 303)


@router.get("/sign-in")
def sign_in_page(request: Request, actor: Anyone, next: str = "/torches") -> Response:
    """Show the sign-in form."""
    if not people.has_people(shop_of(request)):
        return RedirectResponse("/first", 303)
    return page(request, "sign_in.html", actor, next=_safe_next(next), error=None, login="")


@router.post("/sign-in")
def sign_in_post(
    request: Request,
    _actor: Anyone,
    login: Annotated[str, Form()] = "",
    password: Annotated[str, Form()] = "",
    next: Annotated[str, Form()] = "/torches",
) -> Response:
    """Sign in; a failure shows the form again with the reason."""
    address = request.client.host if request.client else "unknown"
    try:
        token = people.sign_in(shop_of(request), login=login, password=password, address=address)
    except ServiceError as error:
        text = f"{error.problem[:1].upper()}{error.problem[1:]}. {error.mend}."
        return page(
            request,
            "sign_in.html",
            None,
            status=error.status,
            next=_safe_next(next),
            error=text,
            login=login[:60],
        )
    answer = RedirectResponse(_safe_next(next), 303)
    answer.set_cookie(
        COOKIE,
        token,
        max_age=people.SESSION_HOURS * 3600,
        httponly=True,
        samesite="lax",
        secure=request.url.scheme == "https",
        path="/",
    )
    return answer


@router.post("/sign-out")
def sign_out(request: Request, actor: SignedIn) -> Response:
    """Revoke the session."""
    people.sign_out(shop_of(request), actor, request.cookies.get(COOKIE, ""))
    answer = go(request, "/sign-in?done=signed-out")
    answer.delete_cookie(COOKIE, path="/")
    return answer


@router.get("/first")
def first_page(request: Request, actor: Anyone) -> Response:
    """Show the form for the first account, as long as there is none."""
    if people.has_people(shop_of(request)):
        return RedirectResponse("/sign-in", 303)
    return page(request, "first.html", actor)


@router.post("/first")
def first_post(
    request: Request,
    _actor: Anyone,
    code: Annotated[str, Form()] = "",
    login: Annotated[str, Form()] = "",
    name: Annotated[str, Form()] = "",
    password: Annotated[str, Form()] = "",
) -> Response:
    """Make the first account, for whoever can read the code on the server's screen."""
    if people.has_people(shop_of(request)):
        raise ConflictError("people", "the first person is already there", "sign in")
    expected = request.app.state.first_code or ""
    if not expected or not hmac.compare_digest(code.strip().encode(), expected.encode()):
        raise ServiceError("code", "is not right", "read it where `pitwise serve` was started")
    people.first_admin(shop_of(request), login=login, name=name, password=password)
    return go(request, "/sign-in?done=saved")


@router.get("/me")
def me_page(request: Request, actor: SignedIn) -> Response:
    """Show one's own account."""
    return page(request, "me.html", actor)


@router.post("/me")
def me_post(
    request: Request,
    actor: SignedIn,
    old: Annotated[str, Form()] = "",
    new: Annotated[str, Form()] = "",
) -> Response:
    """Set one's own password."""
    people.change_own_password(shop_of(request), actor, old=old, new=new)
    return go(request, "/sign-in?done=password")


@router.get("/about")
def about(request: Request, actor: Anyone) -> Response:
    """Say what this is, what it can't do, and what it is made with."""
    return page(request, "about.html", actor, sheet=shop_of(request).base)


@router.get("/health")
def health(_actor: Anyone) -> dict[str, str]:
    """Answer a monitor."""
    return {"status": "up"}
