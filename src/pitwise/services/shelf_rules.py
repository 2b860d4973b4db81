"""How items are to be kept: the share met from the shelf, and what keeping and lack cost."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.shelf_tables import StockRule
from pitwise.services.errors import ServiceError
from pitwise.services.fields import clean_text, decimal_number, whole_number
from pitwise.services.permissions import Actor, require
from pitwise.services.shelf_model import ASSUMED_RULE, Rule
from pitwise.services.shelf_read import get_item
from pitwise.services.shelf_shown import Said, percent, settle
from pitwise.services.shelf_trail import add_row
from pitwise.services.shelf_typed import amount_of, needed_amount, needed_decimal, needed_whole
from pitwise.services.shopfloor import Shop


def set_rule(
    shop: Shop,
    actor: Actor,
    item_id: int | None,
    *,
    service: str,
    order_cost: str,
    hold_rate: str,
    shortage_cost: str = "",
    review_days: str = "0",
    keep_least: str = "0",
    reason: str = "",
    shown: Mapping[str, str] | None = None,
) -> int:
    """Set how an item is to be kept (None: all items without a rule of their own).

    Shares are typed as 0.95, 95 or 95 %; a hold rate is per year. A service below 50 % and
    a hold rate below 1 % are refused: they are slips, a share typed as per cent.

    Parameters
    ----------
    shop, actor
    item_id : int or None
    service, order_cost, hold_rate, shortage_cost, review_days, keep_least, reason : str
    shown : mapping of str to str or None
        The fields, by these names, as the screen showed them before they were changed: what
        is as it was shown was not touched, and stays as the book has it. None: all that is
        given is meant.

    Returns
    -------
    int
        The rule's number; of the one that holds, where nothing was changed and no other
        reason was given.

    Raises
    ------
    StaleError
        Somebody else has changed since what was changed here; nothing is saved then.
    """
    require(actor, "edit-shelf")
    reason = clean_text("reason", reason, longest=400, empty_ok=True, lines=True)
    given: dict[str, Any] = {
        "service": _service(service),
        "order_cost": needed_amount("order_cost", order_cost),
        "hold_rate": _hold_rate(hold_rate),
        "shortage_cost": amount_of("shortage_cost", shortage_cost),
        "review_days": needed_decimal("review_days", review_days or "0", high=365),
        "keep_least": needed_whole("keep_least", keep_least or "0", low=0),
    }
    was = None if shown is None else _as_shown(shown)
    with shop.database.write() as session:
        if item_id is not None:
            get_item(session, item_id)
        if was is not None:
            now = rule_of(session, item_id)
            there = {name: getattr(now, name) for name in given}
            given = settle(_SAID, given, was, there)
            own = _newest(session, item_id)
            # To set for an item what the shop has anyway is a rule of its own.
            if own is not None and given == there and reason in ("", own.reason):
                return own.id
        row = StockRule(
            item_id=item_id, reason=reason, by=actor.person_id, at=shop.clock(), **given
        )
        add_row(
            shop,
            session,
            actor,
            "shelf-rule-set",
            "shelf" if item_id is None else f"shelf item {item_id}",
            row,
            service=row.service,
            order_cost=row.order_cost,
            hold_rate=row.hold_rate,
            reason=reason,
        )
        return row.id


_SAID = {
    "service": Said("share to be met", percent),
    "order_cost": Said("cost of an order"),
    "hold_rate": Said("cost of keeping one a year", percent),
    "shortage_cost": Said("cost of one short"),
    "review_days": Said("time between looks in days"),
    "keep_least": Said("least to be kept"),
}


def _as_shown(shown: Mapping[str, str]) -> dict[str, Any]:
    """Return what a screen showed of a rule; None for a field that was empty."""

    def share(name: str) -> float | None:
        return _share(f"shown {name}", shown[name]) if shown.get(name) else None

    amounts = ("order_cost", "shortage_cost", "review_days")
    return {
        "service": share("service"),
        "hold_rate": share("hold_rate"),
        "keep_least": whole_number("shown keep_least", shown.get("keep_least")),
        **{name: decimal_number(f"shown {name}", shown.get(name)) for name in amounts},
    }


def _newest(session: Session, item_id: int | None) -> StockRule | None:
    of = StockRule.item_id.is_(None) if item_id is None else StockRule.item_id == item_id
    return session.scalar(select(StockRule).where(of).order_by(StockRule.id.desc()).limit(1))


def _share(place: str, value: str) -> float:
    """Return a share typed as 0.95, 95 or 95 %."""
    text = value.strip()
    percent = text.endswith("%")
    number = needed_decimal(place, text.removesuffix("%"), high=1000)
    return number / 100 if percent or number > 1 else number


def _service(value: str) -> float:
    """Return the share to be met; refuse one that nobody means."""
    share = _share("service", value)
    if 0.005 <= share < 0.01:
        raise ServiceError(
            "service",
            f"is {share * 100:g} %, and hardly anything would be kept",
            f"did you mean {share * 10_000:g} %? Type {share * 10_000:g}",
        )
    if share < 0.5:
        raise ServiceError(
            "service",
            f"{share * 100:g} % is less than one of two",
            "give 50 to less than 100 %; 95 is common (our own choice)",
        )
    if share >= 1:
        raise ServiceError("service", f"{share * 100:g} % can't be kept", "give less than 100 %")
    return share


def _hold_rate(value: str) -> float:
    """Return what a year of keeping costs as a share of the price; refuse one nobody means."""
    rate = _share("hold_rate", value)
    if 0 < rate < 0.01:
        raise ServiceError(
            "hold_rate",
            f"{rate * 100:g} % a year is next to nothing",
            f"did you mean {rate * 10_000:g} %? Type {rate * 10_000:g}",
        )
    return rate


def rules_in_force(session: Session) -> dict[int | None, Rule]:
    """Return the newest rule of every item that has its own, and under None the shop's."""
    out: dict[int | None, Rule] = {None: ASSUMED_RULE}
    for row in session.scalars(select(StockRule).order_by(StockRule.id)):
        out[row.item_id] = Rule(
            row.service,
            row.order_cost,
            row.hold_rate,
            row.shortage_cost,
            row.review_days,
            row.keep_least,
            "shop" if row.item_id is None else "item",
        )
    return out


def rule_of(session: Session, item_id: int | None) -> Rule:
    """Return the rule an item is kept by: its own, else the shop's, else an assumed one."""
    rules = rules_in_force(session)
    return rules.get(item_id, rules[None])
