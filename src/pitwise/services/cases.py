"""Cause cases: what is eating the parts of a torch, from the first look to the cure.

One case is open on a torch at most. What signed inspections show comes by itself; what else
is found out is put in by `case_recording`, and `case_closing` closes.
"""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.case_tables import CauseCase
from pitwise.records.tables import Person, Torch
from pitwise.services.book_cases import case_digest
from pitwise.services.case_book import not_superseded
from pitwise.services.case_page import case_view, held_and_diagnosis
from pitwise.services.case_touch import case_row, key_used, open_row, person
from pitwise.services.case_view import CaseLine, CaseView
from pitwise.services.cures import all_cures, closed_causes
from pitwise.services.drafts import check_key
from pitwise.services.errors import ConflictError, NotFoundError, ServiceError
from pitwise.services.fields import clean_text
from pitwise.services.permissions import Actor, require
from pitwise.services.shopfloor import Shop

_LISTS = ("all", "open", "closed", "not-held", "discarded")


def open_case(shop: Shop, actor: Actor, torch_id: int, *, key: str, complaint: str = "") -> int:
    """Open a case on a torch, or join the one that is open on it.

    Returns
    -------
    int
        The case's number.
    """
    require(actor, "causes")
    check_key(key)
    complaint = clean_text("complaint", complaint, longest=1000, empty_ok=True, lines=True)
    with shop.database.write() as session:
        same = session.scalar(select(CauseCase).where(CauseCase.open_key == key))
        if same is not None:
            if same.torch_id != torch_id:
                raise key_used("it opened a case on another torch")
            if same.state == "discarded":
                raise ConflictError(
                    "case", f"case {same.id} was discarded", "reload the page, open another"
                )
            return same.id
        torch = session.get(Torch, torch_id)
        if torch is None:
            raise NotFoundError("torch", f"there is no torch {torch_id}", "choose from the list")
        there = open_case_of(session, torch_id)
        if there is not None:
            return there
        last = not_superseded(session, torch_id)
        row = CauseCase(
            open_key=key,
            torch_id=torch.id,
            process_id=torch.process_id,
            state="open",
            opened_by=person(actor),
            opened_at=shop.clock(),
            after_inspection=last[0].id if last else None,
            complaint=complaint,
        )
        session.add(row)
        session.flush()
        shop.note(
            session,
            actor,
            "case-opened",
            f"case {row.id}",
            torch=torch.name,
            after_inspection=row.after_inspection,
            complaint=complaint,
            sha256=case_digest(session, row.id),
        )
        return row.id


def open_case_of(session: Session, torch_id: int) -> int | None:
    """Return the case that is open on a torch, if any."""
    return session.scalar(
        select(CauseCase.id).where(CauseCase.torch_id == torch_id, CauseCase.state == "open")
    )


def list_cases(
    shop: Shop, actor: Actor, *, state: str = "all", torch_id: int | None = None
) -> tuple[CaseLine, ...]:
    """List cases: open ones, closed ones, discarded ones, each newest first.

    Parameters
    ----------
    shop, actor
    state : {"all", "open", "closed", "not-held", "discarded"}
        "not-held": closed ones whose cure did not hold.
    torch_id : int or None
    """
    require(actor, "view")
    if state not in _LISTS:
        raise ServiceError("list", f"'{state[:20]}' is not known", f"use {', '.join(_LISTS)}")
    with shop.database.read() as session:
        query = select(CauseCase)
        if torch_id is not None:
            query = query.where(CauseCase.torch_id == torch_id)
        if state != "all":
            query = query.where(CauseCase.state == ("closed" if state == "not-held" else state))
        rows = session.scalars(query).all()
        names = {p.id: p.name for p in session.scalars(select(Person))}
        causes = closed_causes(session, shop.sheet(session))
        cures = all_cures(shop, session) if any(r.state == "closed" for r in rows) else {}
        lines = [
            CaseLine(
                row.id,
                row.torch_id,
                row.torch.name,
                row.torch.station.name,
                row.process.name,
                row.state,  # type: ignore[arg-type]  # held to the three by the table
                row.opened_at,
                names.get(row.opened_by, "?"),
                row.complaint,
                causes.get(row.id, ()),
                row.closed_at,
                _leading(shop, session, row) if row.state == "open" else "",
                cures[row.id].did_not_hold if row.id in cures else "",
                cures.get(row.id),
            )
            for row in rows
        ]
    if state == "not-held":
        lines = [line for line in lines if line.did_not_hold]
    lines.sort(key=lambda x: (x.closed_at or x.opened_at, x.id), reverse=True)
    lines.sort(key=lambda x: ("open", "closed", "discarded").index(x.state))
    return tuple(lines)


def _leading(shop: Shop, session: Session, row: CauseCase) -> str:
    diagnosis = held_and_diagnosis(shop, session, row)[2]
    if not diagnosis.looked or not diagnosis.causes:
        return ""
    top = diagnosis.causes[0]
    return f"{top.name}: {top.word}"


def read_case(shop: Shop, actor: Actor, case_id: int) -> CaseView:
    """Return a case as it stands."""
    require(actor, "view")
    with shop.database.read() as session:
        return case_view(shop, session, actor, case_row(session, case_id))


def set_texts(
    shop: Shop,
    actor: Actor,
    case_id: int,
    *,
    complaint: str | None = None,
    note: str | None = None,
    shown_complaint: str | None = None,
    shown_note: str | None = None,
) -> CaseView:
    """Keep the complaint and the note as typed; None leaves one as it is.

    This leaves the revision alone. A text that is as it was shown was not touched, and is not
    saved.

    Parameters
    ----------
    shop, actor
    case_id : int
    complaint, note : str or None
    shown_complaint, shown_note : str or None
        The texts as the screen showed them before they were changed.

    Raises
    ------
    ConflictError
        Another tablet changed a text since it was shown; nothing is saved then.
    """
    require(actor, "causes")
    given = {}
    for name, typed, was in (
        ("complaint", complaint, shown_complaint),
        ("note", note, shown_note),
    ):
        if typed is not None:
            text = _typed(name, typed)
            if was is None or text != _typed(name, was):
                given[name] = (text, was)
    with shop.database.write() as session:
        row = open_row(session, case_id)
        changed = {}
        for name, (text, was) in given.items():
            stored = getattr(row, name)
            if text == stored:
                continue
            if was is not None and _typed(name, was) != _typed(name, stored):
                raise ConflictError(
                    name,
                    "another tablet changed it since",
                    "read what stands there now, then write yours into it",
                )
            changed[name] = text
        if changed:
            before = {name: getattr(row, name) for name in changed}
            for name, text in changed.items():
                setattr(row, name, text)
            session.flush()
            shop.note(
                session,
                actor,
                "case-texts",
                f"case {row.id}",
                before=before,
                after=changed,
                sha256=case_digest(session, row.id),
            )
    return read_case(shop, actor, case_id)


def _typed(name: str, text: str) -> str:
    """Return a text as it is kept: forms send line ends of their own."""
    return clean_text(name, text.replace("\r\n", "\n"), longest=1000, empty_ok=True, lines=True)
