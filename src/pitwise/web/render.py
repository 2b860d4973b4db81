"""Templates, their filters, and the answers pages give."""

from __future__ import annotations

import datetime as dt
import hashlib
import os
import secrets
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from fastapi import Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from markupsafe import Markup

from pitwise import __version__
from pitwise.bench.holes import said as said_length
from pitwise.bench.holes import small
from pitwise.job.words import percent as chance_words
from pitwise.reports.drawing import (
    ACTION_WORDS,
    FINDING_SLUGS,
    STOCK_WORDS,
    action_mark,
    chance_bar,
    finding_icon,
    logo,
    part_drawing,
    stock_mark,
    torch_drawing,
)
from pitwise.services.permissions import Actor, Permission, may
from pitwise.shelf.unit_price import plain_price, price_text

HERE = Path(__file__).parent
SET_WORDS = {
    "release": "Release: every part kept",
    "work": "Work: clean or replace, then back in service",
    "incomplete": "Incomplete: something is not looked at or must be gauged again",
}
DONE_WORDS = {
    "saved": "Saved.",
    "signed": "Signed. The record stands.",
    "again": "This was signed already; here is that one record.",
    "discarded": "The draft was discarded. It stays in the book as discarded.",
    "signed-out": "You are signed out.",
    "withdrawn": "Withdrawn. It stays in the book.",
    "brought-back": "Brought back.",
    "fitted": "Fitted. Old and new rates stand side by side below.",
    "password": "Password set. Sign in with the new one.",
    "case-closed": "Closed. The parts that run from now on show whether the cure holds.",
    "case-amended": "Amended. What stood there before is in the trail.",
    "case-reopened": "Open again. What it was closed with stays in the trail.",
    "case-discarded": "The case was discarded. It stays in the book as discarded.",
    "frozen": "Frozen. New cases are kept, and teach nothing until it is let go on.",
    "let-go-on": "Learning goes on, with the cases that waited.",
    "study-finished": "Finished. Everyone sees the values now.",
    "study-discarded": "The study was discarded. It stays in the book.",
    "adopted": "Adopted. The bench reckons with it from now on; the old value stands below.",
    "put-back": "Put back.",
    "goods-in": "On the shelf.",
    "begun-anew": "Begun anew. Cases closed before now teach nothing any more.",
}


class TimezoneError(ValueError):
    """PITWISE_TIMEZONE names no zone."""


def zone_name() -> str:
    """Return the name of the shop's time zone: PITWISE_TIMEZONE, else this machine's own."""
    named = os.environ.get("PITWISE_TIMEZONE") or os.environ.get("TZ", "").lstrip(":")
    if named:
        return named
    link = Path("/etc/localtime")
    if link.is_symlink():
        _, found, name = str(link.readlink()).partition("zoneinfo/")
        if found and name:
            return name
    return "UTC"


@cache
def shop_zone() -> dt.tzinfo:
    """Return the shop's time zone."""
    name = zone_name()
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError) as error:
        raise TimezoneError(f"'{name}' is no time zone; write one such as Europe/Lisbon") from error


def local(moment: dt.datetime | str) -> dt.datetime:
    """Return a moment (or its ISO text) in the shop's time zone."""
    if isinstance(moment, str):
        moment = dt.datetime.fromisoformat(moment)
    return moment.astimezone(shop_zone())


def moment_text(moment: dt.datetime | str | None) -> str:
    """Write a moment as '2026-11-25 06:12', in the shop's time zone."""
    return "–" if moment is None else local(moment).strftime("%Y-%m-%d %H:%M")


def number_text(value: float | None, digits: int = 0) -> str:
    """Write a number with thin spaces between thousands."""
    if value is None:
        return "–"
    return f"{value:,.{digits}f}".replace(",", "\u202f")


def about_text(value: float) -> str:
    """Write an estimate to two figures, no finer than it is known."""
    if value >= 1e6:
        return "over a million"
    if value < 10:
        return number_text(float(round(value)))
    digits = len(str(round(value))) - 2
    return number_text(float(round(value, -digits)))


def percent_text(value: float | None) -> str:
    """Write a probability in percent, never rounding a doubt away."""
    if value is None:
        return "unknown"
    percent = 100 * value
    if 0 < percent < 0.1:
        return "under 0.1 %"
    if 99.9 < percent < 100:
        return "over 99.9 %"
    return f"{percent:.1f} %"


def sentence_text(text: str) -> str:
    """Write a text's first letter as a sentence begins; the rest is left as it is."""
    return text[:1].upper() + text[1:]


def new_key() -> str:
    """Return a key for a touch, for pages without the script that makes one."""
    return f"s-{secrets.token_hex(16)}"


def _icon(slug: str | None) -> Markup:
    return Markup(finding_icon(slug)) if slug in FINDING_SLUGS else Markup("")  # noqa: S704 -- our own SVG


def _svg(make: Callable[..., str]) -> Callable[..., Markup]:
    def drawn(*args: Any, **kwargs: Any) -> Markup:
        return Markup(make(*args, **kwargs))  # noqa: S704 -- our own SVG, text escaped in it

    return drawn


def environment() -> Environment:
    """Make the template environment; an unknown name in a template is an error."""
    env = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.filters.update(
        about=about_text,
        moment=moment_text,
        number=number_text,
        percent=percent_text,
        plain_price=plain_price,
        price=price_text,
        sentence=sentence_text,
    )
    env.globals.update(
        torch_drawing=_svg(torch_drawing),
        part_drawing=_svg(part_drawing),
        action_mark=_svg(action_mark),
        stock_mark=_svg(stock_mark),
        STOCK_WORDS=STOCK_WORDS,
        chance_bar=_svg(chance_bar),
        chance=chance_words,
        touch_key=new_key,
        logo=_svg(logo),
        icon=_icon,
        ACTION_WORDS=ACTION_WORDS,
        SET_WORDS=SET_WORDS,
        version=__version__,
        said=said_length,
        small_mm=small,
        zone=zone_name,
        asset_version=asset_version(),
    )
    return env


def asset_version() -> str:
    """Return a name for the scripts and styles as they are, so that no tablet keeps older ones."""
    digest = hashlib.sha256()
    for path in sorted((HERE / "static").glob("*.*")):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:10]


_ENV = environment()


def is_htmx(request: Request) -> bool:
    """Tell whether a request was made by a touch within a page."""
    return request.headers.get("hx-request") == "true"


def _coolant_name(request: Request, slug: str | None) -> str:
    row = request.app.state.shop.base.coolant(slug) if slug else None
    return row.name if row is not None else slug or "not recorded"


def page(
    request: Request, template: str, actor: Actor | None, *, status: int = 200, **values: Any
) -> HTMLResponse:
    """Render a whole page."""

    def allowed(action: Permission) -> bool:
        return may(actor, action)

    html = _ENV.get_template(template).render(
        request=request,
        path=request.url.path,
        actor=actor,
        may=allowed,
        coolant_name=lambda slug: _coolant_name(request, slug),
        demo=request.app.state.is_demo,
        done=DONE_WORDS.get(request.query_params.get("done", "")),
        **values,
    )
    return HTMLResponse(html, status)


def go(request: Request, url: str) -> Response:
    """Send the browser to another page after something was done."""
    if is_htmx(request):
        return Response(status_code=204, headers={"HX-Redirect": _new_page(url)})
    return RedirectResponse(url, 303)


def _new_page(url: str) -> str:
    """Return an address that the browser loads even where it stands at the same one.

    With a place on the page in it, it would only scroll there, and show the page as it was.
    """
    path, mark, place = url.partition("#")
    if not mark:
        return url
    return f"{path}{'&' if '?' in path else '?'}at={secrets.token_hex(4)}#{place}"


def message(text: str, status: int, **headers: str) -> HTMLResponse:
    """Answer a touch with a message, put where the page keeps its messages."""
    html = _ENV.get_template("message.html").render(text=text)
    # Reselect: a touch that would take only a part of a page takes this whole.
    said = {"HX-Retarget": "#message", "HX-Reswap": "innerHTML", "HX-Reselect": ".problem"}
    return HTMLResponse(html, status, {**said, **headers})
