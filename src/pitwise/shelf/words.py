"""Advice about an item in sentences."""

from __future__ import annotations

import datetime as dt
import math

from pitwise.shelf.advice import Advice
from pitwise.shelf.floor import FloorAdvice
from pitwise.shelf.stock_left import Band

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
_LONGEST_SPAN_DAYS = 5 * 365.0


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
        return f"more than {horizon_days} days, but 1 time in 20 at most {band.p05:.0f}"
    return f"{band.median:.0f} day{'' if band.median == 1 else 's'} ({band.p05:.0f} to {high})"


def range_words(band: Band) -> str:
    """Return pieces with their range: "9 (5 to 14)"."""
    return f"{band.median:.0f} ({band.p05:.0f} to {band.p95:.0f})"


def span_words(days: float) -> str:
    """Return how long something lasts, roughly: "9 days", "5 weeks", "8 months", "3 years"."""
    if not days <= _LONGEST_SPAN_DAYS:
        return "more than 5 years"
    for most, each, name in ((13.5, 1.0, "day"), (59.5, 7.0, "week"), (700.0, 365 / 12, "month")):
        if days < most:
            count = round(days / each)
            return f"{count} {name}{'' if count == 1 else 's'}" if count else "less than a day"
    return f"{round(days / 365)} years"


def there_words(on_shelf: int, in_kits: int, many: str = "", one: str = "") -> str:
    """Return what is there: "there are 2 nozzles (0 loose, 2 in kits)"; `one` empty: no noun."""
    there = on_shelf if on_shelf > 0 else 0
    if there == 0:
        said = f"there is no {one}" if one else "there is none"
    else:
        count = pieces_words(there, many, one) if one else str(there)
        said = f"there {'is' if there == 1 else 'are'} {count}"
    return f"{said} ({on_shelf - in_kits} loose, {in_kits} in kits)" if in_kits else said


def first_words(advice: Advice, many: str, one: str, today: dt.date, *, in_kits: int = 0) -> str:
    """Return what to do and why; of an order also for how long its pieces last.

    Parameters
    ----------
    advice : Advice
    many, one : str
        What the pieces are called: "nozzles", "nozzle".
    today : date
    in_kits : int
        Of what is there, pieces in kits that are not opened.
    """
    on_order = f" and {advice.on_order} on order" if advice.on_order else ""
    if not advice.order_now:
        goes = _goes(advice.lead_demand, f"in the {days_words(advice.lead_days)} an order takes")
        have = there_words(advice.on_shelf, in_kits, many, one)
        if advice.lead_days == 0:
            goes = "an order is there the same day"
        return f"No order yet: {have}{on_order}, {goes}."
    day = day_words(advice.by_day, today)
    when = day if day in ("today", "tomorrow") else f"by {day}"
    have = there_words(advice.on_shelf, in_kits)
    arrival = day_words(math.ceil(advice.by_day + advice.lead_days), today)
    goes = _goes(advice.order_demand, f"by {arrival}")
    goes = (
        "an order is there the same day"
        if advice.lead_days == 0
        else f"{goes}, when an order of {_of(day)} is likely there"
    )
    said = (
        f"Order {pieces_words(advice.order_now, many, one)} {when}: {have}{on_order}, {goes}; "
        f"{_reason(advice, one)}."
    )
    if not math.isfinite(advice.lasts_days):
        return said
    lasts = "lasts" if advice.order_now == 1 else "last"
    return f"{said} {advice.order_now} {lasts} about {span_words(advice.lasts_days)}.".replace(
        "about more", "more"
    ).replace("about less", "less")


def _of(day: str) -> str:
    return "that day" if day not in ("today", "tomorrow") else day


def _goes(go: Band, time: str) -> str:
    """Return how many go: "about 9 go by Thursday (5 to 14)"."""
    if go.median == 0:
        if not go.p95:
            return f"probably none goes {time}"
        return f"up to {go.p95:.0f} may go {time}"
    verb = "goes" if round(go.median) == 1 else "go"
    return f"about {go.median:.0f} {verb} {time} ({go.p05:.0f} to {go.p95:.0f})"


def _reason(advice: Advice, one: str) -> str:
    """Return what asks for the order."""
    a_piece = f"{'an' if one[:1] in 'aeiou' else 'a'} {one}"
    accepted = percent_words(1 - advice.service_asked)
    by_cost = ", by the cost of being short" if advice.by_cost else ""
    chance = (
        f"{a_piece} is missing before that with a chance of "
        f"{percent_words(advice.shortage_chance)} (accepted: {accepted}{by_cost})"
    )
    over = advice.by_day == 0 and advice.shortage_chance > 1 - advice.service_asked
    if advice.why == "floor":
        keep = advice.keep_least
        floor = f"{keep} {'is' if keep == 1 else 'are'} always to be kept"
        return f"{floor}, and {chance}" if over else floor
    if over:
        return chance
    if advice.why == "none":
        return (
            "with none there the next one wanted is missing (chance before that: "
            f"{percent_words(advice.shortage_chance)})"
        )
    return (
        f"ordered later, {a_piece} is missing before it comes more often than accepted "
        f"({accepted}{by_cost})"
    )


def floor_words(advice: FloorAdvice, many: str, one: str, *, in_kits: int = 0) -> tuple[str, ...]:
    """Return what the pieces always to be kept ask for, in sentences.

    Parameters
    ----------
    advice, many, one, in_kits
        As for `first_words`.
    """
    on_order = f" and {advice.on_order} on order" if advice.on_order else ""
    keep = f"{advice.keep_least} {'is' if advice.keep_least == 1 else 'are'} always to be kept"
    have = f"{there_words(advice.on_shelf, in_kits)}{on_order}"
    first = (
        f"Order {pieces_words(advice.order_now, many, one)} today: {have}; {keep}."
        if advice.order_now
        else f"No order yet: {have}; {keep}."
    )
    why = advice.cant_tell
    return first, f"No forecast can be made: {why.reason}. Mend: {why.mend}."


def advice_words(
    advice: Advice,
    many: str,
    one: str,
    today: dt.date,
    *,
    assumed: bool = False,
    in_kits: int = 0,
) -> tuple[str, ...]:
    """Return the advice in sentences, what to do first.

    Parameters
    ----------
    advice, many, one, today, in_kits
        As for `first_words`.
    assumed : bool
        Nobody set a rule for it: the figures it was reckoned with are assumed.
    """
    said = [first_words(advice, many, one, today, in_kits=in_kits)]
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
