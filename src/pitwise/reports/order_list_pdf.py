"""The order list as PDF, byte for byte the same for the same list."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

from pitwise.shelf.unit_price import price_text

from .typeset import printable, typeset

TEMPLATE = Path(__file__).parent / "templates" / "order_list.typ"
_HONEST = (
    "An estimate from wear, planned work and usual work. Count the shelf before a large order; "
    "what the equipment's manual says about parts comes first."
)


def _money(value: float) -> str:
    return f"{value:,.2f}".replace(",", "\u202f")


def _packs(row: dict[str, Any]) -> str:
    """Return the packs to order: "4 packs of 5"; a dash where pieces come singly."""
    packs, each = row["packs"], row["pieces_in_pack"]
    return "–" if each == 1 else f"{packs} pack{'' if packs == 1 else 's'} of {each}"


def order_list_pdf(found: dict[str, Any]) -> bytes:
    """Make the document of an order list.

    Parameters
    ----------
    found : dict
        As ``services.order_list.plain_list`` gives it.

    Returns
    -------
    bytes
        A PDF, A4, tagged for screen readers, dated by the list's day.

    Raises
    ------
    KeyError
        The list lacks a field.
    DocumentError
        The typesetter failed, or warned of something that would show in print.
    """
    day = dt.date.fromisoformat(found["day"])
    orders = [
        {
            "head": order["supplier"],
            "by": f"Order by {order['order_by']}",
            "total": f"{_money(order['total'])} {order['currency']}",
            "rows": [
                {
                    "name": row["item"],
                    "code": row["code"],
                    "pieces": str(row["pieces"]),
                    "packs": _packs(row),
                    "price": price_text(row["unit_price"]),
                    "sum": _money(row["sum"]),
                    "why": row["why"]
                    + (" No rule is set for it: assumed figures." if row["rule_assumed"] else ""),
                }
                for row in order["items"]
            ],
        }
        for order in found["suppliers"]
    ]
    lead = "What to order this week."
    if not orders:
        lead = "Nothing is to be ordered this week."
        if found["next_day"]:
            lead += f" The next order is likely due on {found['next_day']}."
    data = printable(
        {
            "title": f"Order list, {found['day']}",
            "lead": lead,
            "foot": f"Order list of {found['day']}",
            "orders": orders,
            "missing": [[x["item"], f"{x['reason']}; {x['mend']}."] for x in found["not_listed"]],
            "honest": _HONEST,
        }
    )
    moment = (day.year, day.month, day.day, 0, 0, 0)
    data["dated"] = list(moment)
    return typeset(TEMPLATE, data, moment)
