"""Advice about an item in sentences."""

from __future__ import annotations

import datetime as dt
import math

from pitwise.shelf.advice import Advice, Band

_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)

# Further ahead than this a day is written with its year.
_NAMED_DAYS = 300


def pieces_words(count: float, many: str, one: str) -> str:
    """Return a number with its noun: "1 nozzle", "20 nozzles"."""
    return f"{count:.0f} {one if round(count) == 1 else many}"


def days_words(days: float) -> str:
    """Return days as people say them: "a day", "12 days", "2.5 days"."""
    return "day" if days == 1 else f"{days:g} days"


def day_words(days: float, today: dt.date) -> str:
    """Return the day so many days on: "today", "tomorrow", "Thursday", "14 December"."""
    ahead = int(days)
    if ahead <= 0:
        return "today"
    if ahead == 1:
        return "tomorrow"
    day = today + dt.timedelta(days=ahead)
    if ahead < 7:
        return _WEEKDAYS[day.weekday()]
    return f"{day.day} {MONTHS[day.month - 1]}" + (f" {day.year}" if day.year != today.year else "")


def percent_words(share: float) -> str:
    """Return a share in whole percent; what comes of paths is never quite 0 or 1."""
    if share < 0.005:
        return "under 1 %"
    if share > 0.995:
        return "over 99 %"
    return f"{100 * share:.0f} %"


def band_words(band: Band, horizon_days: int) -> str:
    """Return days with their range: "24 days (18 to 31)"; what is past the horizon says so."""
    if math.isinf(band.p05):
        return f"more than {horizon_days} days"
    high = f"{band.p95:.0f}" if math.isfinite(band.p95) else f"over {horizon_days}"
    if math.isinf(band.median):
        return f"more than {horizon_days} days (1 in 20: {band.p05:.0f} or fewer)"
    return f"{band.median:.0f} day{'' if band.median == 1 else 's'} ({band.p05:.0f} to {high})"


def range_words(band: Band) -> str:
    """Return pieces with their range: "9 (5 to 14)"."""
    return f"{band.median:.0f} ({band.p05:.0f} to {band.p95:.0f})"


def first_words(advice: Advice, many: str, one: str, today: dt.date) -> str:
    """Return what to do, in one sentence.

    Parameters
    ----------
    advice : Advice
    many, one : str
        What the pieces are called: "nozzles", "nozzle".
    today : date
    """
    there = advice.on_shelf
    go = advice.lead_demand
    on_order = f" and {advice.on_order} on order" if advice.on_order else ""
    time = f"in the {days_words(advice.lead_days)} an order takes"
    if advice.lead_days == 0:
        goes = "an order is there the same day"
    elif go.median == 0:
        more = f" (0 to {go.p95:.0f})" if go.p95 else ""
        goes = f"none is likely to go {time}{more}"
    else:
        verb = "goes" if round(go.median) == 1 else "go"
        goes = f"about {go.median:.0f} {verb} {time} ({go.p05:.0f} to {go.p95:.0f})"
    if advice.order_now:
        day = day_words(advice.by_day, today)
        when = day if day in ("today", "tomorrow") else f"by {day}"
        have = f"there {'is' if there == 1 else 'are'} {there if there > 0 else 'none'}"
        return (
            f"Order {pieces_words(advice.order_now, many, one)} {when}: {have}{on_order}, {goes}."
        )
    have = f"there {'is' if there == 1 else 'are'} {pieces_words(there, many, one)}"
    return f"No order yet: {have}{on_order}, {goes}."


def advice_words(
    advice: Advice, many: str, one: str, today: dt.date, *, assumed: bool = False
) -> tuple[str, ...]:
    """Return the advice in sentences, what to do first.

    Parameters
    ----------
    advice, many, one, today
        As for `first_words`.
    assumed : bool
        Nobody set a rule for it: the figures it was reckoned with are assumed.
    """
    said = [first_words(advice, many, one, today)]
    if advice.order_now and advice.by_day > 0:
        said.append(
            f"Ordered later than {day_words(advice.by_day, today)} it comes too late in more than "
            f"{percent_words(1 - advice.service_asked)} of cases."
        )
    if not advice.order_now:
        if math.isinf(advice.by_day):
            said.append(f"By today's forecast no order is due within {advice.horizon_days} days.")
        else:
            said.append(
                f"By today's forecast the next order is due by {day_words(advice.by_day, today)}."
            )
    said.append(
        f"Chance of standing without before an order of today could come: "
        f"{percent_words(advice.shortage_chance)}."
    )
    if advice.method == "newsvendor":
        said.append(
            f"Keep {advice.order_up_to}, and order one for each that goes: the chance that one is "
            f"wanted and none is there is {percent_words(advice.point_chance)} at any time "
            f"(accepted: {percent_words(1 - advice.service_asked)})."
        )
    else:
        said.append(
            f"In general order when shelf and orders are down to {advice.reorder_point}, "
            f"{advice.order_size} at a time: by the forecast "
            f"{percent_words(1 - advice.point_chance)} of the orders then come before anything "
            f"is missing (asked: {percent_words(advice.service_asked)}), and "
            f"{percent_words(advice.service_expected)} of the demand is met at once."
        )
    if assumed:
        said.append("Nobody set a rule for it yet: share to be met and costs are assumed.")
    return tuple(said)
