"""How items are to be kept: the share met from the shelf, and what keeping and lack cost."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.shelf_tables import StockRule
from pitwise.services.errors import ServiceError
from pitwise.services.fields import clean_text
from pitwise.services.permissions import Actor, require
from pitwise.services.shelf_model import ASSUMED_RULE, Rule
from pitwise.services.shelf_read import get_item
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
) -> int:
    """Set how an item is to be kept (None: all items without a rule of their own).

    Shares are typed as 0.95, 95 or 95 %; a hold rate is per year. A service below 50 % and
    a hold rate below 1 % are refused: they are slips, a share typed as per cent.
    """
    require(actor, "edit-shelf")
    reason = clean_text("reason", reason, longest=400, empty_ok=True, lines=True)
    share = _service(service)
    cost = needed_amount("order_cost", order_cost)
    rate = _hold_rate(hold_rate)
    short = amount_of("shortage_cost", shortage_cost)
    review = needed_decimal("review_days", review_days or "0", high=365)
    least = needed_whole("keep_least", keep_least or "0", low=0)
    with shop.database.write() as session:
        if item_id is not None:
            get_item(session, item_id)
        row = StockRule(
            item_id=item_id,
            service=share,
            order_cost=cost,
            hold_rate=rate,
            shortage_cost=short,
            review_days=review,
            keep_least=least,
            reason=reason,
            by=actor.person_id,
            at=shop.clock(),
        )
        add_row(
            shop,
            session,
            actor,
            "shelf-rule-set",
            "shelf" if item_id is None else f"shelf item {item_id}",
            row,
            service=share,
            order_cost=cost,
            hold_rate=rate,
            reason=reason,
        )
        return row.id


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
