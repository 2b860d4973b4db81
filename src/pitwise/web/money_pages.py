"""Money and the monthly sheet."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Literal
from urllib.parse import quote

from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import Response
from markupsafe import Markup

from pitwise.reports.charts import NoReadings, svg_of
from pitwise.reports.charts.money import loss_chart
from pitwise.reports.loss_pdf import loss_pdf
from pitwise.services import money, money_habit, money_page
from pitwise.services import month as sheets
from pitwise.services.amounts import amounts_words, fine_text, money_text
from pitwise.services.errors import NotAllowedError, NotFoundError, ServiceError
from pitwise.services.month_paper import moment_of, month_paper, month_picture
from pitwise.services.periods import Month, month_of, today
from pitwise.services.permissions import Actor
from pitwise.web.access import needs, shop_of
from pitwise.web.drawing import drawn_once
from pitwise.web.render import go, moment_text, page
from pitwise.web.shelf_forms import Wrong, wrong_of

router = APIRouter()
Viewer = Annotated[Actor, Depends(needs("view"))]
Day = Annotated[str, Query(max_length=20)]
First = Annotated[str, Query(alias="from", max_length=20)]
_WIDTHS = {"wide": 900, "narrow": 350}
_BY_WORDS = {"torch": "Torch", "process": "Process", "cause": "Why changed", "part": "Part"}
_SHOWN_PARTS = 100


def _view(request: Request, actor: Actor, first: str, last: str, by: str) -> money.MoneyView:
    return money.money_view(shop_of(request), actor, first=first, last=last, by=by or "torch")


def _pictures(view: money.MoneyView) -> list[dict[str, Markup]]:
    """Draw the losses at both widths, a picture for each currency."""
    out = []
    for currency in money_page.currencies_of(view.losses):
        drawn = {}
        for name, width in _WIDTHS.items():
            spec = loss_chart(
                money_page.loss_bars(view.losses, currency),
                currency=currency,
                headline=money_page.headline(view.losses, currency),
                period=money_page.loss_period(view),
                width=width,
            )
            if not isinstance(spec, NoReadings):
                drawn[name] = drawn_once(spec)
        if drawn:
            out.append(drawn)
    return out


@router.get("/money")
def money_view(
    request: Request, actor: Viewer, first: First = "", to: Day = "", by: Day = "torch"
) -> Response:
    """Show what consumables cost, and what parts took that ended too soon."""
    wrong: Wrong | None = None
    try:
        view = _view(request, actor, first, to, by)
    except NotAllowedError:
        raise
    except ServiceError as error:
        # The slip stands beside its field, what was typed stays, and the usual days are shown.
        typed = {"from": first, "to": to, "by": by}
        wrong = wrong_of("period", error, typed, {})
        wrong = replace(wrong, given={name: text for name, text in typed.items() if text})
        view = _view(request, actor, "", "", by if by in money.GROUPINGS else "")
    return page(
        request,
        "money.html",
        actor,
        status=wrong.status if wrong else 200,
        wrong=wrong,
        view=view,
        pictures=_pictures(view),
        by_words=_BY_WORDS,
        shown=_SHOWN_PARTS,
        notes=money_page.loss_notes(view.losses),
        reconciled=money_page.reconciled(view.losses),
        kinds=money_page.KIND_WORDS,
        by_first=money_page.by_first_words(view),
        amounts=amounts_words,
        cash=money_text,
        fine=fine_text,
        query=f"from={view.period.first}&to={view.period.last}&by={view.by}",
    )


@router.get("/money/habit")
def habit(request: Request, actor: Viewer) -> Response:
    """Give the part of the page that takes longer: what the habit of changing costs."""
    return page(
        request, "money_habit.html", actor, lines=money_habit.habit_lines(shop_of(request), actor)
    )


@router.get("/money.csv")
def money_csv(
    request: Request,
    actor: Viewer,
    first: First = "",
    to: Day = "",
    what: Literal["fitted", "losses"] = "fitted",
) -> Response:
    """Give the parts fitted, or those that ended before their worth was used, as CSV."""
    view = _view(request, actor, first, to, "torch")
    text = money_page.fitted_csv(view) if what == "fitted" else money_page.losses_csv(view)
    name = f"{what}-{view.period.first}-{view.period.last}.csv"
    return Response(
        text,
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="{name}"'},
    )


@router.get("/money/losses.pdf")
def losses_sheet(
    request: Request,
    actor: Viewer,
    first: First = "",
    to: Day = "",
    paper: Literal["a4", "a3"] = "a4",
) -> Response:
    """Give the picture of losses as a sheet of paper."""
    view = _view(request, actor, first, to, "torch")
    now = shop_of(request).clock()
    data = loss_pdf(
        [
            (
                money_page.loss_bars(view.losses, currency),
                currency,
                money_page.headline(view.losses, currency),
            )
            for currency in money_page.currencies_of(view.losses)
        ],
        period=money_page.loss_period(view),
        foot=f"Made {moment_text(now)} from the book’s signed inspections and its prices.",
        notes=money_page.loss_notes(view.losses),
        moment=moment_of(now),
        paper=paper,
    )
    return _pdf(data, f"losses-{view.period.first}-{view.period.last}-{paper}.pdf")


@router.get("/money/losses.svg")
def losses_picture(
    request: Request, actor: Viewer, first: First = "", to: Day = "", currency: Day = ""
) -> Response:
    """Give the picture of losses as SVG, in the currency that most parts are counted in."""
    view = _view(request, actor, first, to, "torch")
    known = money_page.currencies_of(view.losses)
    if currency and currency not in known:
        raise NotFoundError(
            "currency", f"no loss is counted in '{currency}'", f"use {', '.join(known) or 'none'}"
        )
    chosen = currency or (known[0] if known else "")
    spec = loss_chart(
        money_page.loss_bars(view.losses, chosen),
        currency=chosen,
        headline=money_page.headline(view.losses, chosen),
        period=money_page.loss_period(view),
    )
    if isinstance(spec, NoReadings):
        raise NotFoundError("picture", spec.reason, "choose a longer period")
    return Response(
        svg_of(spec),
        media_type="image/svg+xml",
        headers={"Content-Disposition": 'attachment; filename="losses.svg"'},
    )


def _pdf(data: bytes, name: str) -> Response:
    return Response(
        data,
        media_type="application/pdf",
        headers={"Content-Disposition": f'inline; filename="{name}"'},
    )


@router.get("/month")
def this_month(request: Request, actor: Viewer, month: Day = "") -> Response:
    """Show the sheet of the last whole month, or of the one chosen."""
    return go(request, f"/month/{quote(month)}") if month else _month(request, actor, "")


@router.get("/month.pdf")
def paper(request: Request, actor: Viewer, month: Day = "") -> Response:
    """Give the sheet of a month as PDF: the last whole one, or the one asked for."""
    sheet = sheets.month_sheet(shop_of(request), actor, month)
    return _pdf(month_paper(sheet), f"month-{sheet.month.slug}.pdf")


@router.get("/month/{text}")
def named_month(request: Request, actor: Viewer, text: str) -> Response:
    """Show the sheet of a month, such as 2026-10."""
    return _month(request, actor, text)


def _both(sheet: sheets.MonthSheet) -> dict[str, Markup] | None:
    out = {}
    for name, width in _WIDTHS.items():
        spec = month_picture(sheet, width)
        if isinstance(spec, NoReadings):
            return None
        out[name] = drawn_once(spec)
    return out


def _month(request: Request, actor: Actor, text: str) -> Response:
    shop = shop_of(request)
    wrong: Wrong | None = None
    try:
        sheet = sheets.month_sheet(shop, actor, text)
    except NotAllowedError:
        raise
    except ServiceError as error:
        wrong = wrong_of("month", error, {"month": text}, {})
        sheet = sheets.month_sheet(shop, actor, "")
    this = month_of(today(shop.clock()))
    is_last = (sheet.month.year, sheet.month.number) >= (this.year, this.number)
    return page(
        request,
        "month.html",
        actor,
        status=wrong.status if wrong else 200,
        wrong=wrong,
        sheet=sheet,
        told_words=sheets.TOLD_WORDS,
        until=sheets.until_words(sheet),
        months=sheets.months(shop, actor),
        earlier=_earlier(sheet),
        later=None if is_last else sheet.month.after,
        picture=_both(sheet),
    )


def _earlier(sheet: sheets.MonthSheet) -> Month | None:
    first = sheet.first
    if first is None or (sheet.month.year, sheet.month.number) <= (first.year, first.number):
        return None
    return sheet.month.before
