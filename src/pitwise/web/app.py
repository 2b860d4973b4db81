"""Make the web app: one shop, its pages, its guards."""

from __future__ import annotations

from collections.abc import Sequence
from urllib.parse import quote

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import RedirectResponse, Response
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException
from starlette.middleware.trustedhost import TrustedHostMiddleware

from pitwise.services import limited, people
from pitwise.services.errors import BookError, BookFullError, ServiceError
from pitwise.services.shopfloor import Shop
from pitwise.web import (
    agreement_pages,
    ahead_pages,
    bench,
    book_pages,
    case_pages,
    label_pages,
    learnt_pages,
    life_pages,
    money_pages,
    photo_pages,
    picture_pages,
    plan_pages,
    practice_pages,
    program_pages,
    replacement_pages,
    shelf_count_pages,
    shelf_item_pages,
    shelf_order_pages,
    shelf_pages,
    shop_pages,
    sign_in,
    study_pages,
    wear_pages,
)
from pitwise.web.access import SignInNeeded, actor_of
from pitwise.web.keeping_up import KeepingUp
from pitwise.web.render import HERE, is_htmx, message, page
from pitwise.web.security import Guard

LOOPBACK_HOSTS = ("localhost", "127.0.0.1", "[::1]")


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _refusal(request: Request, text: str, status: int) -> Response:
    if is_htmx(request):
        return message(text, status)
    return page(request, "refusal.html", actor_of(request), status=status, text=text, code=status)


def _on_service_error(request: Request, error: Exception) -> Response:
    if not isinstance(error, ServiceError):
        raise error
    text = f"{_sentence(error.place)}: {error.problem}. {_sentence(error.mend)}."
    return _refusal(request, text, error.status)


def _on_form_error(request: Request, error: Exception) -> Response:
    if not isinstance(error, RequestValidationError):
        raise error
    first = error.errors()[0]
    field = str(first["loc"][-1]).replace("_", " ")
    return _refusal(
        request, f"{_sentence(field)}: {first['msg'].lower()}. Fill it in, then do it again.", 422
    )


def _on_book_error(request: Request, error: Exception) -> Response:
    status = 507 if isinstance(error, BookFullError) else 503
    return _refusal(request, str(error), status)


def _on_http_error(request: Request, error: Exception) -> Response:
    if not isinstance(error, HTTPException):
        raise error
    words = {404: "There is no such page here.", 405: "This page can't be used that way."}
    return _refusal(request, words.get(error.status_code, str(error.detail)), error.status_code)


def _on_no_sign_in(request: Request, _error: Exception) -> Response:
    if not people.has_people(request.app.state.shop):
        target = "/first"
    else:
        # After a POST the page to come back to is the one it was made from: the list.
        wanted = request.url.path if request.method == "GET" else "/torches"
        target = f"/sign-in?next={quote(wanted)}"
    if is_htmx(request):
        return Response(status_code=401, headers={"HX-Redirect": target})
    return RedirectResponse(target, 303)


def create_app(
    shop: Shop, *, hosts: Sequence[str] = LOOPBACK_HOSTS, first_code: str | None = None
) -> FastAPI:
    """Make the app for a shop.

    Parameters
    ----------
    shop : Shop
        Prepared: its book is up to date.
    hosts : sequence of str
        Host names it answers to; any other is refused.
    first_code : str or None
        One-time code that lets the first person make the first account.
    """
    limited.sweep()
    app = FastAPI(title="Pitwise", docs_url=None, redoc_url=None, openapi_url=None)
    app.state.shop = shop
    app.state.keeping_up = KeepingUp(shop)
    app.state.is_demo = shop.is_demo()
    app.state.first_code = first_code
    app.add_middleware(Guard)
    app.add_middleware(TrustedHostMiddleware, allowed_hosts=list(hosts), www_redirect=False)
    app.add_exception_handler(ServiceError, _on_service_error)
    app.add_exception_handler(RequestValidationError, _on_form_error)
    app.add_exception_handler(BookError, _on_book_error)
    app.add_exception_handler(HTTPException, _on_http_error)
    app.add_exception_handler(SignInNeeded, _on_no_sign_in)
    for room in (
        sign_in,
        shop_pages,
        program_pages,
        ahead_pages,
        wear_pages,
        life_pages,
        replacement_pages,
        bench,
        photo_pages,
        picture_pages,
        book_pages,
        # Before the cases, whose numbers stand where these have names.
        learnt_pages,
        case_pages,
        study_pages,
        agreement_pages,
        practice_pages,
        money_pages,
        shelf_pages,
        shelf_item_pages,
        shelf_count_pages,
        shelf_order_pages,
        label_pages,
        plan_pages,
        money_pages,
    ):
        app.include_router(room.router)
    app.mount("/static", StaticFiles(directory=HERE / "static"), name="static")
    return app
