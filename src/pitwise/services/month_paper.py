"""The monthly sheet as paper, with the picture of its losses."""

from __future__ import annotations

import datetime as dt
from typing import Any

from pitwise.reports.charts import NoReadings
from pitwise.reports.charts.money import loss_chart
from pitwise.reports.month_pdf import month_pdf
from pitwise.services.money_page import headline, loss_bars
from pitwise.services.month import MonthSheet, until_words
from pitwise.services.zone import named_zone


def moment_of(at: dt.datetime) -> tuple[int, ...]:
    """Return a moment as the typesetter takes it, UTC."""
    at = at.astimezone(dt.UTC)
    return (at.year, at.month, at.day, at.hour, at.minute, at.second)


def month_picture(sheet: MonthSheet, width: int = 900) -> dict[str, Any] | NoReadings:
    """Draw a month's losses in the currency that most parts are counted in."""
    losses = sheet.losses
    if losses is None or not losses.main_currency:
        return NoReadings("No loss of this month is told in money.")
    currency = losses.main_currency
    return loss_chart(
        loss_bars(losses, currency),
        currency=currency,
        headline=headline(losses, currency),
        period=sheet.month.words,
        width=width,
    )


def month_paper(sheet: MonthSheet) -> bytes:
    """Make the PDF of a month's sheet."""
    made = sheet.made_at.astimezone(named_zone()).strftime("%Y-%m-%d %H:%M")
    return month_pdf(
        sheet.plain(),
        said_until=until_words(sheet),
        made=f"Made {made} from the book’s signed inspections and its shelf.",
        moment=moment_of(sheet.made_at),
        picture=month_picture(sheet),
    )
