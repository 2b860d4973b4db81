"""Write the shelf's ledger: what came, was taken, scrapped, counted, opened and packed.

Nothing in it is ever changed; `shelf_undo` takes a line back with another.
"""

from __future__ import annotations

from typing import Literal

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.shelf_tables import Movement, ShelfItem, ShelfOrder, ShelfOrderLine
from pitwise.services.drafts import check_key
from pitwise.services.errors import ConflictError, NotFoundError, ServiceError
from pitwise.services.fields import clean_text
from pitwise.services.permissions import Actor, require
from pitwise.services.shelf_codes import order_code
from pitwise.services.shelf_move import About, group_of, move_kits, only_lot, write_line
from pitwise.services.shelf_paid import noted, piece_price
from pitwise.services.shelf_read import balance, get_item, kit_lines, lots, received
from pitwise.services.shelf_typed import needed_whole, price_of
from pitwise.services.shopfloor import Shop


def _kept(session: Session, item_id: int) -> ShelfItem:
    item = get_item(session, item_id)
    if not item.active:
        raise ConflictError("item", f"'{item.name}' is put aside", "take it back into use first")
    return item


def _again(
    session: Session,
    key: str,
    item_id: int,
    kind: str,
    pieces: int | None = None,
    counted: int | None = None,
) -> Movement | None:
    """Return the line this key wrote before; refuse one that wrote something else.

    A form that was changed and sent again under its old key must not look as if the
    change had gone in.
    """
    row = session.scalar(select(Movement).where(Movement.key == key))
    if row is None:
        return None
    same = (row.item_id, row.kind, row.counted) == (item_id, kind, counted)
    if not same or (pieces is not None and row.pieces != pieces):
        raise ConflictError(
            "key",
            "this form went in before, with something else in it",
            "look at the ledger, then begin anew",
        )
    return row


def goods_in(
    shop: Shop,
    actor: Actor,
    *,
    item_id: int,
    pieces: str,
    key: str,
    lot: str = "",
    unit_price: str = "",
    currency: str = "",
    order_line_id: int | None = None,
    order_id: int | None = None,
    seen: int | None = None,
    more: bool = False,
    note: str = "",
    sure_price: str = "",
) -> int:
    """Put pieces that came onto the shelf.

    Parameters
    ----------
    shop, actor
    item_id : int
    pieces : str
    key : str
        Made on the tablet; the same key again is the same line.
    lot : str
    unit_price, currency : str
        Of one piece; without a price the order's, where it came of one, else that of the
        terms in force; the line says so. Without any none stands.
    order_line_id : int or None
        The line of an open order they came of.
    order_id : int or None
        The order whose page this is; a line of another is refused.
    seen : int or None
        How many the person's screen said had come of that line: refused when more or
        fewer have by now, for another tablet may have put in the same boxes.
    more : bool
        Whether more may come of the line than was ordered; only by a deliberate touch.
    note : str
    sure_price : str
        The price a person was asked about, and said is so.

    Returns
    -------
    int
        The line's number.

    Raises
    ------
    QuestionError
        The price is far from the one in force; see `shelf_paid`.
    """
    require(actor, "shelf")
    check_key(key)
    number = needed_whole("pieces", pieces, low=1)
    lot = clean_text("lot", lot, empty_ok=True)
    note = clean_text("note", note, longest=400, empty_ok=True, lines=True)
    price_of("unit_price", unit_price)
    currency = clean_text("currency", currency, longest=20, empty_ok=True)
    with shop.database.write() as session:
        same = _again(session, key, item_id, "goods-in", number)
        if same is not None:
            return same.id
        item = _kept(session, item_id)
        line = None
        if order_line_id is not None:
            line = _open_line(session, order_line_id, item, order_id)
            _refuse_twice(session, line, number, seen, more=more)
        price = piece_price(session, item.id, unit_price, currency, line=line, sure=sure_price)
        about = About(
            order_line_id=order_line_id,
            unit_price=price.amount if price is not None else None,
            currency=price.currency if price is not None else None,
            lot=lot or None,
            note=noted(note, price),
        )
        return write_line(shop, session, actor, item.id, "goods-in", number, key, about).id


def _open_line(
    session: Session, line_id: int, item: ShelfItem, order_id: int | None
) -> ShelfOrderLine:
    line = session.get(ShelfOrderLine, line_id)
    if line is None:
        raise NotFoundError("order", f"there is no order line {line_id}", "open the order again")
    if line.item_id != item.id:
        raise ServiceError("order", f"that line is not of '{item.name}'", "open the order again")
    if order_id not in (None, line.order_id):
        raise ServiceError(
            "order",
            f"that line is of {order_code(line.order_id)}, not of {order_code(order_id or 0)}",
            "open the order again",
        )
    order = session.get(ShelfOrder, line.order_id)
    if order is None or order.state != "open":
        raise ConflictError("order", "it is closed", "put the goods in without the order")
    return line


def _refuse_twice(
    session: Session, line: ShelfOrderLine, pieces: int, seen: int | None, *, more: bool
) -> None:
    """Refuse what another tablet has put in meanwhile, and more than was ordered."""
    came = received(session, line.order_id).get(line.id, 0)
    left = max(0, line.pieces - came)
    if seen is not None and seen != came:
        raise ConflictError(
            "pieces",
            f"{came} of {line.pieces} have come by now; this page said {seen}",
            "see whether these are the same boxes; what is still to come stands here now",
        )
    if pieces > left and not more:
        code = order_code(line.order_id)
        raise ConflictError(
            "pieces",
            f"only {left} of {line.pieces} are still to come of {code}, not {pieces}",
            f"check the number; if more came, open {code} and use 'More of these came'",
        )


def take(
    shop: Shop,
    actor: Actor,
    *,
    item_id: int,
    pieces: str,
    key: str,
    kind: Literal["taken", "scrapped"],
    note: str = "",
    lot: str = "",
) -> int:
    """Take pieces off the shelf for something that is no inspection, or scrap them.

    Scrapping needs a reason. More than the book has is refused: then the book is wrong,
    and a count puts it right. Without a lot they come of the oldest.
    """
    require(actor, "shelf")
    check_key(key)
    if kind not in ("taken", "scrapped"):
        raise ServiceError("kind", f"'{kind[:20]}' is not known", "use taken or scrapped")
    number = needed_whole("pieces", pieces, low=1)
    note = clean_text("note", note, longest=400, empty_ok=kind == "taken", lines=True)
    lot = clean_text("lot", lot, empty_ok=True)
    with shop.database.write() as session:
        same = _again(session, key, item_id, kind, -number)
        if same is not None:
            return same.id
        item = _kept(session, item_id)
        _refuse_too_many(session, item, number)
        if lot:
            there = dict(lots(session, item.id)).get(lot, 0)
            if there < number:
                raise ConflictError("lot", f"the book has {there} of it", "count, or leave it out")
        about = About(note=note, lot=lot or only_lot(session, item.id, number))
        return write_line(shop, session, actor, item.id, kind, -number, key, about).id


def _refuse_too_many(session: Session, item: ShelfItem, pieces: int) -> None:
    there = balance(session, item.id)
    if there < pieces:
        raise ConflictError(
            "pieces",
            f"the book has {there} of '{item.name}' on the shelf",
            "check the number; if more are there, count the shelf first",
        )


def count(
    shop: Shop, actor: Actor, *, item_id: int, counted: str, key: str, seen: int | None = None
) -> int:
    """Set an item's figure to what was counted; the difference is a line of its own.

    Parameters
    ----------
    shop, actor
    item_id : int
    counted : str
        Loose pieces on the shelf; those in kits that are not opened are not among them.
    key : str
    seen : int or None
        The figure the person's screen showed: refused when it has moved since, for what
        moved may lie on either side of the count.
    """
    require(actor, "shelf")
    check_key(key)
    number = needed_whole("counted", counted, low=0)
    with shop.database.write() as session:
        same = _again(session, key, item_id, "counted", counted=number)
        if same is not None:
            return same.id
        item = _kept(session, item_id)
        there = balance(session, item.id)
        if seen is not None and seen != there:
            raise ConflictError(
                "counted",
                f"the figure moved from {seen} to {there} since this page was opened",
                "look what moved, count again, then save",
            )
        about = About(counted=number)
        return write_line(shop, session, actor, item.id, "counted", number - there, key, about).id


def open_kit(shop: Shop, actor: Actor, *, kit_id: int, kits: str, key: str) -> list[int]:
    """Open kits: what they hold lies loose on the shelf. Returns the lines, the kit's first."""
    return _kits(shop, actor, kit_id, kits, key, opened=True)


def pack_kit(shop: Shop, actor: Actor, *, kit_id: int, kits: str, key: str) -> list[int]:
    """Pack kits from loose pieces. Returns the lines, the kit's first."""
    return _kits(shop, actor, kit_id, kits, key, opened=False)


def _kits(shop: Shop, actor: Actor, kit_id: int, kits: str, key: str, *, opened: bool) -> list[int]:
    require(actor, "shelf")
    check_key(key)
    number = needed_whole("kits", kits, low=1)
    kind, sign = ("kit-opened", -1) if opened else ("kit-packed", 1)
    with shop.database.write() as session:
        same = _again(session, key, kit_id, kind, sign * number)
        if same is not None:
            return [row.id for row in group_of(session, same)]
        kit = _kept(session, kit_id)
        if kit.kind != "kit":
            raise ServiceError("kit", f"'{kit.name}' is no kit", "choose a kit")
        if opened:
            _refuse_too_many(session, kit, number)
        else:
            for item_id, pieces in kit_lines(session)[kit.id].items():
                _refuse_too_many(session, get_item(session, item_id), number * pieces)
        rows = move_kits(shop, session, actor, kit, number, key, opened=opened)
        return [row.id for row in rows]
