"""What items cost, how long they take to come, and how they are to be kept."""

from __future__ import annotations

import datetime as dt
import re
import unicodedata
from bisect import bisect_right
from dataclasses import dataclass, field

from sqlalchemy import select
from sqlalchemy.orm import Session, aliased

from pitwise.records.shelf_tables import ItemTerms, Movement, ShelfItem, StockRule, Supplier
from pitwise.records.tables import Station
from pitwise.services.errors import ConflictError, NotFoundError, ServiceError
from pitwise.services.fields import clean_text, decimal_number, whole_number
from pitwise.services.permissions import Actor, require
from pitwise.services.shelf_model import ASSUMED_RULE, Rule, SupplierLine, Terms
from pitwise.services.shelf_read import get_item, kit_lines
from pitwise.services.shelf_trail import note_row, note_supplier
from pitwise.services.shopfloor import Shop
from pitwise.services.station_settings import assumed_fields, settings_of

_MOST_PIECES = 100_000


def add_supplier(shop: Shop, actor: Actor, *, name: str, note: str = "") -> int:
    """Add somebody the shop buys from, under the shop's own name for them."""
    require(actor, "edit-shelf")
    name = clean_text("supplier", name)
    note = clean_text("note", note, longest=400, empty_ok=True)
    with shop.database.write() as session:
        _refuse_supplier(session, name, "choose it from the list")
        row = Supplier(name=name, note=note, active=True)
        session.add(row)
        note_supplier(shop, session, actor, "shelf-supplier-added", row, name=name)
        return row.id


def edit_supplier(
    shop: Shop,
    actor: Actor,
    supplier_id: int,
    *,
    name: str,
    note: str = "",
    active: bool = True,
    shown: SupplierLine | None = None,
) -> None:
    """Change a supplier's name or note, or put it aside.

    Parameters
    ----------
    shop, actor
    supplier_id : int
    name, note : str
    active : bool
    shown : SupplierLine or None
        The supplier as the screen showed it before it was changed: what is as it was shown
        was not touched, and stays as the book has it. None: all that is given is meant.

    Raises
    ------
    ConflictError
        Somebody else has changed since what was changed here, or another supplier has that
        name; nothing is saved then.
    """
    require(actor, "edit-shelf")
    name = clean_text("supplier", name)
    note = clean_text("note", note, longest=400, empty_ok=True)
    with shop.database.write() as session:
        row = get_supplier(session, supplier_id)
        there = _line(row)
        was = there if shown is None else _as_kept(shown)
        _refuse_stale(
            ("supplier", "name", name, was.name, there.name),
            ("note", "note", note, was.note, there.note),
        )
        after = SupplierLine(
            there.id,
            there.name if name == was.name else name,
            there.note if note == was.note else note,
            there.active if active == was.active else active,
        )
        if after == there:
            return
        if after.name != there.name:
            _refuse_supplier(session, after.name, "choose another name", but=supplier_id)
        row.name, row.note, row.active = after.name, after.note, after.active
        note_supplier(
            shop,
            session,
            actor,
            "shelf-supplier-edited",
            row,
            name=after.name,
            active=after.active,
        )


def _line(row: Supplier) -> SupplierLine:
    return SupplierLine(row.id, row.name, row.note, row.active)


def _as_kept(shown: SupplierLine) -> SupplierLine:
    """Return what a screen showed as it is kept: forms send line ends of their own."""
    name, note = (
        clean_text(place, text.replace("\r\n", "\n"), longest=400, empty_ok=True)
        for place, text in (("supplier", shown.name), ("note", shown.note))
    )
    return SupplierLine(shown.id, name, note, shown.active)


def _refuse_stale(*fields: tuple[str, str, str, str, str]) -> None:
    """Refuse to write over what somebody else wrote since; names all of it.

    `fields`: place, word, what is given, what was shown, what stands now.
    """
    stale = [
        (place, f"the {word} is {_quoted(now)} by now; this page showed {_quoted(shown)}")
        for place, word, given, shown, now in fields
        if given not in (shown, now) and shown != now
    ]
    if stale:
        raise ConflictError(
            stale[0][0],
            "; ".join(problem for _, problem in stale),
            "read what stands there now, then write yours into it",
        )


def _quoted(text: str) -> str:
    return f"'{text}'" if text else "empty"


def _refuse_supplier(session: Session, name: str, mend: str, but: int | None = None) -> None:
    """Refuse a name that another supplier has, be it in other capitals."""
    for twin in session.scalars(select(Supplier)):
        if twin.id != but and twin.name.casefold() == name.casefold():
            raise ConflictError("supplier", f"there is a supplier '{twin.name}' already", mend)


def get_supplier(session: Session, supplier_id: int) -> Supplier:
    """Return a supplier.

    Raises
    ------
    NotFoundError
    """
    row = session.get(Supplier, supplier_id)
    if row is None:
        raise NotFoundError(
            "supplier", f"there is no supplier {supplier_id}", "choose from the list"
        )
    return row


def suppliers(session: Session, *, inactive: bool = False) -> list[SupplierLine]:
    """Return the suppliers, by name."""
    query = select(Supplier).order_by(Supplier.name)
    if not inactive:
        query = query.where(Supplier.active)
    return [_line(row) for row in session.scalars(query)]


def _needed_whole(place: str, value: str, *, low: int) -> int:
    number = whole_number(place, value, low=low, high=_MOST_PIECES)
    if number is None:
        raise ServiceError(place, "is empty", f"give a whole number from {low}")
    return number


def needed_decimal(place: str, value: str, *, high: float = 1e7) -> float:
    """Return a number from nothing up; refuse an empty field."""
    number = decimal_number(place, value, high=high)
    if number is None:
        raise ServiceError(place, "is empty", "give a number such as 12.5")
    return number


# 12,500 is twelve and a half to one hand and twelve thousand to another.
_THOUSANDS = re.compile(r"[0-9]+,[0-9]{3}")


def amount_of(place: str, value: str) -> float | None:
    """Return an amount of money, or None for an empty field; refuse one that reads two ways.

    Raises
    ------
    ServiceError
        Not a number, or a comma with exactly three digits after it.
    """
    text = unicodedata.normalize("NFKC", (value or "").strip())
    if _THOUSANDS.fullmatch(text):
        whole, part = text.split(",")
        raise ServiceError(
            place,
            f"'{text[:20]}' can be read two ways",
            f"write {whole}{part} for the thousands, or {whole}.{part} with a point",
        )
    return decimal_number(place, text, high=1e7)


def _needed_amount(place: str, value: str) -> float:
    number = amount_of(place, value)
    if number is None:
        raise ServiceError(place, "is empty", "give a number such as 12.5")
    return number


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


def currencies(session: Session) -> list[str]:
    """Return the currencies the shelf's terms are in, by name."""
    return sorted(set(session.scalars(select(ItemTerms.currency).distinct())))


def fold_currency(session: Session, typed: str) -> str:
    """Return a currency as the book writes it: codes of three letters in capitals.

    Another word is written as it stands in the book already, where only capitals differ.
    """
    if re.fullmatch(r"[A-Za-z]{3}", typed):
        return typed.upper()
    known = {name.casefold(): name for name in currencies(session)}
    return known.get(typed.casefold(), typed)


def shop_currency(session: Session, item_id: int | None = None) -> str | None:
    """Return what the shop writes behind amounts, None where it never set any.

    The item's own terms first, then the newest terms of any, then the stations' settings.
    """
    for own in ([ItemTerms.item_id == item_id] if item_id is not None else []), []:
        query = select(ItemTerms.currency).where(*own).order_by(ItemTerms.id.desc()).limit(1)
        found = session.scalar(query)
        if found:
            return found
    for station in session.scalars(select(Station.id).order_by(Station.id)):
        if "currency" not in assumed_fields(session, station):
            return settings_of(session, station).currency
    return None


def set_terms(
    shop: Shop,
    actor: Actor,
    item_id: int,
    *,
    supplier_id: int,
    price: str,
    currency: str,
    pack: str = "1",
    least: str = "1",
    lead_days: str,
    lead_days_sd: str = "0",
    reason: str = "",
) -> int:
    """Set what one piece of an item costs at a supplier, and how long it takes to come.

    What held before stays in the book; the newest terms hold. An empty currency is the
    shop's.
    """
    require(actor, "edit-shelf")
    given_currency = clean_text("currency", currency, longest=20, empty_ok=True)
    reason = clean_text("reason", reason, longest=400, empty_ok=True)
    amount = _needed_amount("price", price)
    in_pack = _needed_whole("pack", pack, low=1)
    fewest = _needed_whole("least", least, low=1)
    days = needed_decimal("lead_days", lead_days, high=1000)
    spread = needed_decimal("lead_days_sd", lead_days_sd or "0", high=1000)
    if spread > days:
        # A time can't be below nothing: so wide a spread is a slip of the fingers.
        raise ServiceError(
            "lead_days_sd",
            f"{spread:g} days either way is more than the {days:g} days themselves",
            "give how far it usually is off, in days",
        )
    with shop.database.write() as session:
        item = get_item(session, item_id)
        supplier = get_supplier(session, supplier_id)
        if not supplier.active:
            raise ConflictError("supplier", f"'{supplier.name}' is put aside", "choose another")
        unit = given_currency or shop_currency(session, item_id)
        if unit is None:
            raise ServiceError("currency", "is empty", "write it as it stands behind amounts")
        unit = fold_currency(session, unit)
        row = ItemTerms(
            item_id=item.id,
            supplier_id=supplier.id,
            price=amount,
            currency=unit,
            pack=in_pack,
            least=fewest,
            lead_days=days,
            lead_days_sd=spread,
            reason=reason,
            by=actor.person_id,
            at=shop.clock(),
        )
        session.add(row)
        note_row(
            shop,
            session,
            actor,
            "shelf-terms-set",
            f"shelf item {item.id}",
            row,
            supplier=supplier.name,
            price=amount,
            currency=unit,
            lead_days=days,
            reason=reason,
        )
        return row.id


def _terms(row: ItemTerms, supplier: str) -> Terms:
    return Terms(
        row.id,
        row.supplier_id,
        supplier,
        row.price,
        row.currency,
        row.pack,
        row.least,
        row.lead_days,
        row.lead_days_sd,
        row.at,
        row.reason,
    )


def all_terms(session: Session, item_id: int | None = None) -> list[Terms]:
    """Return every terms an item ever had (None: of all items), the newest first."""
    return [terms for _, terms in _terms_rows(session, item_id)]


def _terms_rows(session: Session, item_id: int | None) -> list[tuple[int, Terms]]:
    query = select(ItemTerms, Supplier.name).join(Supplier, Supplier.id == ItemTerms.supplier_id)
    if item_id is not None:
        query = query.where(ItemTerms.item_id == item_id)
    rows = session.execute(query.order_by(ItemTerms.id.desc())).all()
    return [(row.item_id, _terms(row, name)) for row, name in rows]


def terms_in_force(session: Session) -> dict[int, Terms]:
    """Return the terms that hold now, by item; items without any are left out."""
    out: dict[int, Terms] = {}
    for item, terms in _terms_rows(session, None):
        out.setdefault(item, terms)
    return out


def terms_of(session: Session, item_id: int) -> Terms | None:
    """Return the terms of an item that hold now, None where it has none."""
    found = all_terms(session, item_id)
    return found[0] if found else None


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
    reason = clean_text("reason", reason, longest=400, empty_ok=True)
    share = _service(service)
    cost = _needed_amount("order_cost", order_cost)
    rate = _hold_rate(hold_rate)
    short = amount_of("shortage_cost", shortage_cost)
    review = needed_decimal("review_days", review_days or "0", high=365)
    least = _needed_whole("keep_least", keep_least or "0", low=0)
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
        session.add(row)
        note_row(
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


@dataclass(frozen=True)
class Prices:
    """Prices of one piece of every part type, as of any moment.

    Attributes
    ----------
    paid, asked : dict of int to list of (moment, price, currency)
        By item, oldest first: what goods came in at, and what terms said.
    item_of : dict of int to int
        Item by part type.
    kits_of : dict of int to list of (kit, share)
        Kits that hold an item, and the share of the kit's price that one piece of it is.
    """

    paid: dict[int, list[tuple[dt.datetime, float, str]]] = field(default_factory=dict)
    asked: dict[int, list[tuple[dt.datetime, float, str]]] = field(default_factory=dict)
    item_of: dict[int, int] = field(default_factory=dict)
    kits_of: dict[int, list[tuple[int, float]]] = field(default_factory=dict)

    def of_item(self, item_id: int, at: dt.datetime) -> tuple[float, str] | None:
        """Return the price of one piece of an item: the last paid, else what terms said.

        Returns
        -------
        (price, currency) or None
            None: not known at that moment.
        """
        for known in (self.paid, self.asked):
            rows = known.get(item_id, [])
            place = bisect_right(rows, at, key=lambda r: r[0])
            if place:
                return rows[place - 1][1:]
        return None

    def at(self, part_type_id: int, at: dt.datetime) -> tuple[float, str] | None:
        """Return the price of one piece of a part type; see `price_at`."""
        item = self.item_of.get(part_type_id)
        if item is None:
            return None
        own = self.of_item(item, at)
        if own is not None:
            return own
        for kit, share in self.kits_of.get(item, []):
            whole = self.of_item(kit, at)
            if whole is not None:
                return whole[0] * share, whole[1]
        return None

    def first(self, part_type_id: int) -> tuple[float, str] | None:
        """Return the first price of a part type in the book: for what was fitted before it."""
        item = self.item_of.get(part_type_id)
        if item is None:
            return None
        own = [(item, 1.0), *self.kits_of.get(item, [])]
        rows = [
            (known[kept][0], share)
            for kept, share in own
            for known in (self.paid, self.asked)
            if known.get(kept)
        ]
        if not rows:
            return None
        (_, price, currency), share = min(rows, key=lambda r: r[0][0])
        return price * share, currency


def price_book(session: Session) -> Prices:
    """Read every price in the book at once, for asking often."""
    out = Prices()
    undone = aliased(Movement)
    for item, at, price, currency in session.execute(
        select(Movement.item_id, Movement.at, Movement.unit_price, Movement.currency)
        .outerjoin(undone, undone.reverses == Movement.id)
        .where(
            Movement.kind == "goods-in",
            Movement.unit_price.is_not(None),
            Movement.currency.is_not(None),
            undone.id.is_(None),
        )
        .order_by(Movement.at, Movement.id)
    ):
        out.paid.setdefault(item, []).append((at, float(price or 0), str(currency)))
    for item, at, price, currency in session.execute(
        select(ItemTerms.item_id, ItemTerms.at, ItemTerms.price, ItemTerms.currency).order_by(
            ItemTerms.at, ItemTerms.id
        )
    ):
        out.asked.setdefault(item, []).append((at, price, currency))
    for kept in session.scalars(select(ShelfItem).where(ShelfItem.part_type_id.is_not(None))):
        out.item_of[kept.part_type_id or 0] = kept.id
    for kit, holds in kit_lines(session).items():
        for item in holds:
            out.kits_of.setdefault(item, []).append((kit, 1 / sum(holds.values())))
    return out


def price_at(session: Session, part_type_id: int, at: dt.datetime) -> tuple[float, str] | None:
    """Return the price of one piece of a part type as of a moment.

    The last goods-in with a price, else the terms that held, else its share of a kit that
    holds it (a kit's price is shared evenly over its pieces).

    Returns
    -------
    (price, currency) or None
        None: not known then, which is not nothing.
    """
    return price_book(session).at(part_type_id, at)
