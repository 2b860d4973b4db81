"""What pages and papers of cases need beside the case: lists, plain rows, a look ahead."""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select

from pitwise import __version__
from pitwise.causes.diagnosis import Diagnosis, RankedCause
from pitwise.records.case_tables import CauseCase
from pitwise.records.tables import InspectionRow, Torch
from pitwise.services.case_book import PLAIN, not_superseded
from pitwise.services.case_evidence import gather
from pitwise.services.case_page import diagnosis_of, held_and_diagnosis
from pitwise.services.cases import open_case_of, read_case
from pitwise.services.permissions import Actor, require
from pitwise.services.ranges import sheet_at
from pitwise.services.shopfloor import Shop
from pitwise.trade.model import PART_SLUGS, Sheet

_PLACES = {
    "caps": "Caps",
    "o-rings": "O-rings",
    "gas": "Gas supply",
    "coolant": "Coolant",
    "record": "Records and counters",
    "cut": "The cut",
    "setup": "Set-up",
}


def place_names(sheet: Sheet) -> dict[str, str]:
    """Return the name of every place a finding may be at, in the order of the work."""
    parts = {str(p.id): p.name for p in sheet.parts}
    named = {str(s): parts.get(s, s.replace("-", " ").capitalize()) for s in PART_SLUGS}
    return {**named, **_PLACES}


def torch_names(shop: Shop, actor: Actor) -> list[tuple[int, str]]:
    """Return every torch's id and name, by name."""
    require(actor, "view")
    with shop.database.read() as session:
        return [(t.id, t.name) for t in session.scalars(select(Torch).order_by(Torch.name))]


@dataclass(frozen=True)
class LookAhead:
    """What a torch's newest inspection says of causes, before or within a case.

    Attributes
    ----------
    torch_id : int
    torch : str
    case_id : int or None
        The case that is open on the torch.
    abnormal : bool
        Whether anything was seen, or read or reckoned at 4 to 1 or more, that speaks for a
        cause: a forecast that only leans makes no clean inspection abnormal.
    causes : tuple of RankedCause
        The likeliest three.
    step : {"answer", "check", "try", "none"}
    step_words : str
        The check or remedy that comes next.
    minutes : float or None
    """

    torch_id: int
    torch: str
    case_id: int | None
    abnormal: bool
    causes: tuple[RankedCause, ...]
    step: str
    step_words: str
    minutes: float | None


def look_ahead(shop: Shop, actor: Actor, inspection_id: int) -> LookAhead | None:
    """Return what an inspection says of causes; None unless it is its torch's newest.

    Nothing is kept: a case is opened only by somebody who wants one.
    """
    require(actor, "view")
    with shop.database.read() as session:
        row = session.get(InspectionRow, inspection_id)
        if row is None or row.state != "signed":
            return None
        newest = not_superseded(session, row.torch_id)
        if not newest or newest[0].id != row.id:
            return None
        number = open_case_of(session, row.torch_id)
        if number is not None:
            sheet, held, diagnosis, _ = held_and_diagnosis(
                shop, session, session.get_one(CauseCase, number)
            )
        else:
            sheet = sheet_at(shop, session, row.torch.station_id)
            # As a case opened now would have it; it is never added to the book.
            case = CauseCase(id=0, torch_id=row.torch_id, opened_at=shop.clock())
            case.torch, case.process = row.torch, row.process
            with session.no_autoflush:
                gathered = gather(session, sheet, case)
                diagnosis = diagnosis_of(session, sheet, gathered.observations)
            held = gathered.case
        words, minutes = _step_words(sheet, diagnosis)
        return LookAhead(
            row.torch_id,
            row.torch.name,
            number,
            any(
                e.state in ("seen", "slight", "much")
                and (e.log_ratio is None or e.log_ratio >= PLAIN)
                for e in held.evidence
            ),
            diagnosis.causes[:3],
            diagnosis.step.do,
            words,
            minutes,
        )


def _step_words(sheet: Sheet, diagnosis: Diagnosis) -> tuple[str, float | None]:
    step = diagnosis.step
    if step.do == "check":
        return sheet.check(step.id).name, sheet.check(step.id).minutes
    if step.do == "try":
        row = next(r for r in sheet.remedies if r.id == step.id)
        return row.text, row.minutes
    if step.do == "answer":
        return next((f.text for f in diagnosis.flags if f.code == step.id), ""), None
    return "", None


def cases_after(shop: Shop, actor: Actor, inspection_id: int) -> list[int]:
    """Return the cases that were opened after an inspection."""
    require(actor, "view")
    with shop.database.read() as session:
        query = select(CauseCase.id).where(CauseCase.after_inspection == inspection_id)
        return list(session.scalars(query.order_by(CauseCase.id)))


def open_case_on(shop: Shop, actor: Actor, torch_id: int) -> int | None:
    """Return the case that is open on a torch, if any."""
    require(actor, "view")
    with shop.database.read() as session:
        return open_case_of(session, torch_id)


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
        of the trade sheet, `places` from slug to name, `cure` or None, and `software`.
    """
    view = read_case(shop, actor, case_id)
    sheet = shop.base
    coolant = sheet.coolant(view.coolant) if view.coolant else None
    plain: dict[str, Any] = _plain(view)
    return plain | {
        "coolant": coolant.name if coolant is not None else view.coolant,
        "cautions": [c.text for c in sheet.cautions],
        "places": place_names(sheet),
        "software": __version__,
    }
