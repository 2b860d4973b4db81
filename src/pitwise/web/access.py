"""Who is asking, and may they: one dependency that every route declares."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, cast

from fastapi import Form, Path, Query, Request

from pitwise.services import people
from pitwise.services.permissions import Actor, Permission, require
from pitwise.services.shopfloor import Shop
from pitwise.web.keeping_up import KeepingUp

COOKIE = "pitwise_session"
# The largest id PostgreSQL keeps; a larger one in an address is nobody's.
_LARGEST = 2**31 - 1
Id = Annotated[int, Path(ge=1, le=_LARGEST)]
FormId = Annotated[int, Form(ge=1, le=_LARGEST)]
PageNumber = Annotated[int, Query(ge=1, le=1_000_000)]
FilterId = Annotated[int | None, Query(ge=1, le=_LARGEST)]


class SignInNeeded(Exception):
    """Nobody is signed in; the page is asked for again after sign-in."""


def shop_of(request: Request) -> Shop:
    """Return the shop this app serves."""
    return cast("Shop", request.app.state.shop)


def keeping_up_of(request: Request) -> KeepingUp:
    """Return what keeps this shop's forecasts up."""
    return cast("KeepingUp", request.app.state.keeping_up)


def actor_of(request: Request) -> Actor | None:
    """Return who is signed in, or None."""
    token = request.cookies.get(COOKIE)
    return people.who(shop_of(request), token) if token else None


def needs(action: Permission) -> Callable[[Request], Actor]:
    """Make the dependency that lets a route be used only by those who may do `action`.

    The returned function carries `permission`, by which a test finds routes without one.
    """

    def check(request: Request) -> Actor:
        actor = actor_of(request)
        if actor is None:
            raise SignInNeeded
        require(actor, action)
        return actor

    check.permission = action  # type: ignore[attr-defined]  # read by the route test
    return check


def anyone(request: Request) -> Actor | None:
    """Let everybody in; gives who is signed in, if anybody."""
    return actor_of(request)


anyone.permission = "anyone"  # type: ignore[attr-defined]  # read by the route test
