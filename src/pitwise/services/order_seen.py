"""What a page showed of an item when somebody ordered it, and whether that still stands.

Two people may look at one list: an order is written down by what stands now only where that
is what the page showed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy.orm import Session

from pitwise.services.errors import ConflictError, ServiceError
from pitwise.services.shelf_items import lines_of
from pitwise.services.shelf_model import ItemLine
from pitwise.shelf.unit_price import plain_price, price_text


@dataclass(frozen=True)
class Seen:
    """What a page showed of an item to be ordered.

    Attributes
    ----------
    on_order : int
        Pieces ordered and not yet come.
    on_shelf : int or None
        Pieces on the shelf, loose and in kits; None: the page did not show them.
    price : float or None
        Of one piece, in `currency`; None: the page did not show it.
    currency : str
    """

    on_order: int
    on_shelf: int | None = None
    price: float | None = None
    currency: str = ""

    @property
    def text(self) -> str:
        """As a form sends it along; the currency stands in the form once for all lines."""
        rest = (
            "" if self.on_shelf is None else str(self.on_shelf),
            "" if self.price is None else plain_price(self.price),
        )
        return ":".join((str(self.on_order), *rest))


def seen_of(line: ItemLine) -> Seen:
    """Return what there is to see of an item now."""
    terms = line.terms
    return Seen(
        line.on_order,
        line.on_shelf + line.in_kits,
        terms.price if terms else None,
        terms.currency if terms else "",
    )


def read_seen(text: str, currency: str = "") -> Seen:
    """Return what a form sent along as `Seen.text`.

    Raises
    ------
    ServiceError
        It is none: the page was not one of ours, and no check may be left out for it.
    """
    try:
        on_order, on_shelf, price = text.split(":")
        shown = Seen(
            int(on_order),
            int(on_shelf) if on_shelf else None,
            float(price) if price else None,
            currency,
        )
        if shown.price is not None and not math.isfinite(shown.price):
            raise ValueError(price)
    except ValueError as error:
        raise ServiceError(
            "order", "this page does not say what it showed", "open the page again"
        ) from error
    return shown


def refuse_moved(
    session: Session,
    supplier_id: int,
    lines: Sequence[tuple[int, int]],
    seen: Mapping[int, Seen],
) -> None:
    """Refuse an order of items of which something moved since a page showed them.

    Parameters
    ----------
    session : Session
        Of the unit of work that writes the order.
    supplier_id : int
    lines : sequence of (item, pieces)
    seen : mapping of int to Seen
        By item; every item that is ordered needs one.

    Raises
    ------
    ConflictError
        Names all that moved and what stands now.
    ServiceError
        Of an item nothing is said to have been shown.
    """
    now = {line.id: line for line in lines_of(session, inactive=True)}
    moved = []
    for item, _ in lines:
        shown, line = seen.get(item), now.get(item)
        if shown is None:
            raise ServiceError(
                "order", "this page does not say what it showed", "open the page again"
            )
        if line is not None:
            moved += [f"'{line.name}': {what}" for what in _moved(line, supplier_id, shown)]
    if moved:
        raise ConflictError(
            "order",
            f"{'; '.join(moved)}",
            "nothing was written down; look at what stands here now, then order what is still "
            "missing",
        )


def _moved(line: ItemLine, supplier_id: int, shown: Seen) -> list[str]:
    """Say what is no longer as it was shown."""
    now, terms = seen_of(line), line.terms
    said = []
    if now.on_order != shown.on_order:
        said.append(f"{now.on_order} on order by now, this page showed {shown.on_order}")
    if shown.on_shelf is not None and now.on_shelf != shown.on_shelf:
        said.append(f"{now.on_shelf} on the shelf by now, this page showed {shown.on_shelf}")
    if shown.price is None:
        return said
    if (now.price, now.currency) != (shown.price, shown.currency):
        was = f"{price_text(shown.price)} {shown.currency}"
        costs = (
            "without a price" if now.price is None else f"{price_text(now.price)} {now.currency}"
        )
        said.append(f"{costs} each by now, this page showed {was}")
    if terms is not None and terms.supplier_id != supplier_id:
        said.append(f"bought from {terms.supplier} by now")
    return said
