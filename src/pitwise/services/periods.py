"""Stretches of time as people name them: from a day to a day, and months of the calendar."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass

from pitwise.services.errors import NotYetError, ServiceError
from pitwise.services.zone import named_zone
from pitwise.shelf.words import MONTHS

USUAL_DAYS = 365


@dataclass(frozen=True)
class Period:
    """Whole days by the shop's clock.

    Attributes
    ----------
    first, last : date
        Both belong to it.
    since, until : datetime
        The moments it begins and ends; the second does not belong to it.
    """

    first: dt.date
    last: dt.date
    since: dt.datetime
    until: dt.datetime

    @property
    def words(self) -> str:
        """The days, as a page says them."""
        return f"{day_words(self.first)} to {day_words(self.last)}"

    @property
    def days(self) -> int:
        """How many days it has."""
        return (self.last - self.first).days + 1


def day_words(day: dt.date) -> str:
    """Say a day."""
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def midnight(day: dt.date) -> dt.datetime:
    """Return the moment a day begins, by PITWISE_TIMEZONE, else by this machine's own zone."""
    zone = named_zone()
    if zone is None:
        return dt.datetime.combine(day, dt.time()).astimezone()
    return dt.datetime.combine(day, dt.time(), tzinfo=zone)


def today(now: dt.datetime) -> dt.date:
    """Return the day of a moment at the shop: by PITWISE_TIMEZONE, else by this machine's zone.

    All that goes by days asks here: what is late, by when to order, which limits hold.
    """
    return now.astimezone(named_zone()).date()


def days_between(first: dt.date, last: dt.date) -> Period:
    """Return the period from one day to another, both within it."""
    return Period(first, last, midnight(first), midnight(last + dt.timedelta(days=1)))


def _day(place: str, text: str) -> dt.date:
    try:
        day = dt.date.fromisoformat(text.strip())
    except ValueError as error:
        raise ServiceError(
            place, f"'{text.strip()[:20]}' is no day", "write it as 2026-10-31"
        ) from error
    if not 1970 <= day.year <= 2400:
        raise ServiceError(place, f"no book reaches {day.year}", "write a year of the book's time")
    return day


def asked_period(now: dt.datetime, first: str = "", last: str = "") -> Period:
    """Return the period from and to the days that were typed; empty: the last 365 days.

    Raises
    ------
    ServiceError
        No day, or the first after the last; names which.
    """
    end = _day("to", last) if last.strip() else today(now)
    begin = _day("from", first) if first.strip() else end - dt.timedelta(days=USUAL_DAYS - 1)
    if begin > end:
        raise ServiceError("from", f"{begin} is after {end}", "swap the two days")
    return days_between(begin, end)


@dataclass(frozen=True)
class Month:
    """A month of the calendar."""

    year: int
    number: int

    @property
    def slug(self) -> str:
        """As an address names it: 2026-10."""
        return f"{self.year:04d}-{self.number:02d}"

    @property
    def words(self) -> str:
        """As people say it: October 2026."""
        return f"{MONTHS[self.number - 1]} {self.year}"

    @property
    def before(self) -> Month:
        """The month before."""
        return Month(self.year - 1, 12) if self.number == 1 else Month(self.year, self.number - 1)

    @property
    def after(self) -> Month:
        """The month after."""
        return Month(self.year + 1, 1) if self.number == 12 else Month(self.year, self.number + 1)

    @property
    def period(self) -> Period:
        """Its days."""
        first = dt.date(self.year, self.number, 1)
        later = self.after
        return days_between(first, dt.date(later.year, later.number, 1) - dt.timedelta(days=1))


def month_of(day: dt.date) -> Month:
    """Return the month a day is in."""
    return Month(day.year, day.month)


def asked_month(now: dt.datetime, text: str = "") -> Month:
    """Return the month that was typed as 2026-10; empty: the last whole one.

    Raises
    ------
    ServiceError
        No month.
    NotYetError
        It has not begun.
    """
    this = month_of(today(now))
    if not text.strip():
        return this.before
    found = re.fullmatch(r"(\d{4})-(\d{2})", text.strip())
    if found is None or not 1 <= int(found[2]) <= 12 or not 1970 <= int(found[1]) <= 2400:
        raise ServiceError("month", f"'{text.strip()[:20]}' is no month", "write it as 2026-10")
    month = Month(int(found[1]), int(found[2]))
    if (month.year, month.number) > (this.year, this.number):
        raise NotYetError(
            "month", f"{month.words} has not begun", f"ask for {this.slug} or an earlier one"
        )
    return month
