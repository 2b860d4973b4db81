"""What goods come in at: as typed, else as ordered, else as in the terms; slips are asked about."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session, aliased

from pitwise.records.shelf_tables import Movement, ShelfOrder, ShelfOrderLine
from pitwise.services.errors import QuestionError, ServiceError
from pitwise.services.shelf_terms import all_terms, fold_currency, shop_currency
from pitwise.services.shelf_typed import price_of
from pitwise.shelf.unit_price import price_text

# Own choice, no source: so far from the price in force it is more likely a slip of the fingers.
FAR_TIMES = 3


@dataclass(frozen=True)
class PiecePrice:
    """The price of one piece.

    Attributes
    ----------
    amount : float
        Above 0.
    currency : str
    source : str
        Where it stands, in words; empty: it was typed.
    on_line : str
        What the ledger's line says of it beside the figure.
    """

    amount: float
    currency: str
    source: str = ""
    on_line: str = ""


def untyped_price(
    session: Session, item_id: int, line: ShelfOrderLine | None = None
) -> PiecePrice | None:
    """Return the price that goods come in at where none is typed.

    That of the order's line, else of the terms in force: with the order's supplier where
    they came of one, else the newest of any. None: no price is known, and none will stand.
    """
    if line is not None and line.unit_price and line.currency:
        return PiecePrice(line.unit_price, line.currency, "as ordered")
    known = all_terms(session, item_id)
    if line is not None:
        order = session.get(ShelfOrder, line.order_id)
        known = [t for t in known if order is not None and t.supplier_id == order.supplier_id]
    if not known or not known[0].price:
        return None
    source = f"in the terms of {known[0].supplier}"
    return PiecePrice(known[0].price, known[0].currency, source, f"price as {source}")


def _last_paid(session: Session, item_id: int) -> PiecePrice | None:
    undone = aliased(Movement)
    row = session.execute(
        select(Movement.unit_price, Movement.currency)
        .outerjoin(undone, undone.reverses == Movement.id)
        .where(
            Movement.item_id == item_id,
            Movement.kind == "goods-in",
            Movement.unit_price > 0,
            Movement.currency.is_not(None),
            undone.id.is_(None),
        )
        .order_by(Movement.at.desc(), Movement.id.desc())
        .limit(1)
    ).first()
    if row is None or row[0] is None:
        return None
    return PiecePrice(row[0], str(row[1]), "last paid")


def piece_price(
    session: Session,
    item_id: int,
    typed: str,
    currency: str = "",
    *,
    line: ShelfOrderLine | None = None,
    sure: str = "",
) -> PiecePrice | None:
    """Return the price that goods come in at.

    Parameters
    ----------
    session : Session
    item_id : int
    typed, currency : str
        As typed; an empty price is taken as `untyped_price` says.
    line : ShelfOrderLine or None
        The line of an order they came of.
    sure : str
        The price that a person said is so, when asked.

    Returns
    -------
    PiecePrice or None
        None: nothing is typed, and none is known.

    Raises
    ------
    ServiceError
        No price, or no currency is known for it.
    QuestionError
        More than `FAR_TIMES` times the price in force, or less than that part of it: the
        one it would come in at untyped, else the last paid, in the same currency.
    """
    usual = untyped_price(session, item_id, line)
    amount = price_of("unit_price", typed)
    if amount is None:
        return usual
    unit = currency or (line.currency if line is not None else None)
    unit = unit or shop_currency(session, item_id)
    if unit is None:
        raise ServiceError("currency", "is empty", "write it as it stands behind amounts")
    unit = fold_currency(session, unit)
    known = [usual, _last_paid(session, item_id)]
    held = next((k for k in known if k is not None and k.currency == unit), None)
    if held is not None and price_of("sure", sure) != amount:
        _ask_if_far(amount, typed, held)
    return PiecePrice(amount, unit)


def noted(note: str, price: PiecePrice | None) -> str:
    """Return a line's note, with where its price comes from when it was not typed."""
    said = price.on_line if price is not None else ""
    if not note or not said:
        return note or said
    return f"{note.removesuffix('.')}. {said[:1].upper()}{said[1:]}"


def _ask_if_far(amount: float, typed: str, held: PiecePrice) -> None:
    if amount > FAR_TIMES * held.amount:
        how = f"more than {FAR_TIMES} times"
    elif amount * FAR_TIMES < held.amount:
        how = f"less than 1/{FAR_TIMES} of"
    else:
        return
    raise QuestionError(
        "unit_price",
        f"{price_text(amount)} {held.currency} for one is {how} the {price_text(held.amount)} "
        f"{held.source}",
        "if it is so, say so below; else type it again",
        answer=typed.strip(),
    )
