"""What pages and papers of cases need beside the case: lists, plain rows, a look ahead."""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Mapping
from typing import Any

from sqlalchemy import select

from pitwise import __version__
from pitwise.records.tables import Torch
from pitwise.services.case_view import CureView
from pitwise.services.cases import read_case
from pitwise.services.cures import all_cures
from pitwise.services.permissions import Actor, require
from pitwise.services.shopfloor import Shop


def torch_names(shop: Shop, actor: Actor) -> list[tuple[int, str]]:
    """Return every torch's id and name, by name."""
    require(actor, "view")
    with shop.database.read() as session:
        return [(t.id, t.name) for t in session.scalars(select(Torch).order_by(Torch.name))]


def cures_by_case(shop: Shop, actor: Actor) -> Mapping[int, CureView]:
    """Return before and after of every closed case, by its id."""
    require(actor, "view")
    with shop.database.read() as session:
        return all_cures(shop, session)


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(x) for x in value]
    return value.isoformat() if isinstance(value, dt.datetime) else value


def plain_case(shop: Shop, actor: Actor, case_id: int) -> dict[str, Any]:
    """Return a case as plain rows: what its sheet of paper is made from.

    Parameters
    ----------
    shop, actor
    case_id : int

    Returns
    -------
    dict
        `CaseView` as strings, numbers, lists and dicts, moments in ISO form; with `cautions`
        of the trade sheet, `places` named by it, `cure` or None, and `software`.
    """
    view = read_case(shop, actor, case_id)
    cure = cures_by_case(shop, actor).get(case_id) if view.state == "closed" else None
    sheet = shop.base
    coolant = sheet.coolant(view.coolant) if view.coolant else None
    plain: dict[str, Any] = _plain(view)
    return plain | {
        "coolant": coolant.name if coolant is not None else view.coolant,
        "cautions": [c.text for c in sheet.cautions],
        "parts": {p.id: p.name for p in sheet.parts},
        "cure": None if cure is None else _plain(cure),
        "software": __version__,
    }
