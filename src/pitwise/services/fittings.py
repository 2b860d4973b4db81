"""Which part is in which torch, and the life each part has behind it."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.tables import AuditRow, Counter, Fitting, PartItem, PartType, Torch
from pitwise.services.errors import ConflictError, NotFoundError, ServiceError
from pitwise.services.fields import check_key, clean_text
from pitwise.services.permissions import Actor, require
from pitwise.services.shelf_codes import next_free, refuse_code_of_item, refuse_order_code
from pitwise.services.shelf_signing import take_for
from pitwise.services.shopfloor import Shop
from pitwise.wear.use import CounterReading

_TAG_LETTERS = {
    "shield-cap": "SC",
    "shield": "SH",
    "retaining-cap": "RC",
    "nozzle": "NZ",
    "swirl-ring": "SR",
    "electrode": "EL",
    "coolant-tube": "CT",
    "torch-head": "TH",
}


@dataclass(frozen=True)
class Life:
    """Use a part has behind it, over all the torches it was in."""

    starts: int
    arc_minutes: float


def last_counter(
    session: Session, torch_id: int, without: int | None = None
) -> tuple[CounterReading, dt.datetime] | None:
    """Return the last counter reading of a torch and when it was taken.

    `without` leaves one inspection out, as if it had not been: the one being corrected.
    """
    query = select(Counter).where(Counter.torch_id == torch_id, Counter.void.is_(False))
    if without is not None:
        query = query.where(Counter.inspection_id.is_distinct_from(without))
    row = session.scalars(query.order_by(Counter.at.desc(), Counter.id.desc()).limit(1)).first()
    if row is None:
        return None
    return (
        CounterReading(row.starts, row.arc_minutes, row.total_starts, row.total_minutes),
        row.at,
    )


def totals(session: Session, torch_id: int) -> tuple[int, float]:
    """Return a torch's total starts and arc minutes since it came into the book."""
    last = last_counter(session, torch_id)
    return (last[0].total_starts, last[0].total_minutes) if last else (0, 0.0)


def fitted(session: Session, torch_id: int, without: int | None = None) -> dict[str, Fitting]:
    """Return what is fitted in a torch now (without one inspection's changes), by part."""
    query = select(Fitting).where(Fitting.torch_id == torch_id, Fitting.void.is_(False))
    if without is None:
        query = query.where(Fitting.removed_at.is_(None))
    else:
        query = query.where(
            Fitting.removed_at.is_(None) | (Fitting.removed_by_inspection == without),
            Fitting.fitted_by_inspection.is_distinct_from(without),
        )
    return {row.part: row for row in session.scalars(query)}


def lives_of(
    session: Session,
    part_item_ids: Iterable[int],
    now: tuple[int, float] | None = None,
    without: int | None = None,
) -> dict[int, Life]:
    """Add up the use of parts over all their fittings.

    Parameters
    ----------
    session : Session
    part_item_ids : iterable of int
    now : (starts, minutes) or None
        Totals of the torch they are in, when already known; looked up otherwise.
    without : int or None
        An inspection whose changes are left out.

    Returns
    -------
    dict of int to Life
        Every asked part has one.
    """
    ids = list(part_item_ids)
    used: dict[int, tuple[int, float]] = dict.fromkeys(ids, (0, 0.0))
    rows = session.scalars(
        select(Fitting).where(Fitting.part_item_id.in_(ids), Fitting.void.is_(False))
    )
    for row in rows:
        if without is not None and row.fitted_by_inspection == without:
            continue
        still_in = row.removed_at is None or (
            without is not None and row.removed_by_inspection == without
        )
        if still_in:
            end_starts, end_minutes = now if now is not None else totals(session, row.torch_id)
        else:
            end_starts = row.starts_at_removal or 0
            end_minutes = row.minutes_at_removal or 0.0
        starts, minutes = used[row.part_item_id]
        used[row.part_item_id] = (
            starts + max(0, end_starts - row.starts_at_fit),
            minutes + max(0.0, end_minutes - row.minutes_at_fit),
        )
    return {item: Life(*use) for item, use in used.items()}


def life_of(session: Session, part_item_id: int, now: tuple[int, float] | None = None) -> Life:
    """Add up one part's use over all its fittings; see `lives_of`."""
    return lives_of(session, [part_item_id], now)[part_item_id]


def new_item(
    session: Session, part_type: PartType, at: dt.datetime, *, tag: str = "", lot: str = ""
) -> PartItem:
    """Put a new individual part into the book; without a tag it gets the next free number."""
    if tag:
        refuse_order_code("tag", tag)
        refuse_code_of_item(session, "tag", tag)
    item = PartItem(part_type_id=part_type.id, tag=tag or "-", lot=lot or None, created_at=at)
    if tag and session.scalar(select(PartItem).where(PartItem.tag == tag)):
        raise ConflictError("tag", f"'{tag}' is on another part", "give this part its own tag")
    session.add(item)
    session.flush()
    if not tag:
        letters = _TAG_LETTERS[part_type.part]
        item.tag = next_free(session, item.id, lambda n: f"{letters}-{n:05d}")
        session.flush()
    item.part_type = part_type
    return item


def take_out(
    row: Fitting, at: dt.datetime, now: tuple[int, float], end: str, inspection_id: int | None
) -> None:
    """Close a fitting."""
    row.removed_at, row.end, row.removed_by_inspection = at, end, inspection_id
    row.starts_at_removal, row.minutes_at_removal = now


def put_in(
    session: Session,
    torch_id: int,
    item: PartItem,
    at: dt.datetime,
    now: tuple[int, float],
    inspection_id: int | None,
) -> Fitting:
    """Open a fitting."""
    row = Fitting(
        torch_id=torch_id,
        part_item_id=item.id,
        part=item.part_type.part,
        fitted_at=at,
        fitted_by_inspection=inspection_id,
        starts_at_fit=now[0],
        minutes_at_fit=now[1],
        void=False,
    )
    row.item = item
    session.add(row)
    session.flush()
    return row


def _again(session: Session, key: str | None, asked: Mapping[str, Any]) -> dict[str, Any] | None:
    """Return what a form did before under its key; refuse one that asked for something else.

    The key stands in the row of the trail that tells of the act: written with it, or not at
    all.
    """
    if key is None:
        return None
    rows = session.execute(
        select(AuditRow.action, AuditRow.subject, AuditRow.detail).where(
            AuditRow.action.in_(("part-fitted", "part-taken-out")),
            AuditRow.detail.contains(json.dumps(key), autoescape=True),
        )
    )
    for action, subject, text in rows:
        detail: dict[str, Any] = json.loads(text)
        if detail.get("key") != key:
            continue
        if (action, subject, detail["asked"]) != (asked["action"], asked["subject"], asked["form"]):
            raise ConflictError(
                "key",
                "this form went in before, with something else in it",
                "look at the torch again, then begin anew",
            )
        return detail
    return None


def _refuse_unseen(part: str, old: Fitting | None, seen: Mapping[str, int] | None) -> None:
    """Refuse to take out a part that the page did not show in that place."""
    if seen is None or seen.get(part, 0) == (old.part_item_id if old is not None else 0):
        return
    name = part.replace("-", " ")
    now = f"the {name} {old.item.tag} is in it by now" if old else f"no {name} is in it by now"
    raise ConflictError(
        "torch",
        f"{now}, and this page showed {'another' if seen.get(part) else 'none'}",
        "look at the torch again; somebody may have fitted it already",
    )


def _keyed(key: str | None, form: Mapping[str, Any]) -> dict[str, Any]:
    return {} if key is None else {"key": key, "asked": dict(form)}


def fit_part(
    shop: Shop,
    actor: Actor,
    torch_id: int,
    *,
    part_type_id: int | None = None,
    item_tag: str = "",
    new_tag: str = "",
    lot: str = "",
    from_shelf: bool = True,
    key: str | None = None,
    seen: Mapping[str, int] | None = None,
) -> int:
    """Fit a part into a torch outside an inspection: a new one of a type, or one by its tag.

    What is in that place is taken out and keeps its life. A part that sits in another
    torch has to be taken out there first. A new one of a kind that is kept on the shelf
    comes off the shelf, unless `from_shelf` is False: it was in the torch already.

    Parameters
    ----------
    shop, actor
    torch_id : int
    part_type_id : int or None
    item_tag, new_tag, lot : str
    from_shelf : bool
    key : str or None
        Made on the tablet; the same key again is the same part. None: it comes from no form.
    seen : mapping of str to int, or None
        Number of the part in each place, as the person's screen showed them; a place it
        showed empty is left out, or 0. Another in it by now: refused. None: no screen.

    Returns
    -------
    int
        The part's number.
    """
    require(actor, "fit-parts")
    if key is not None:
        check_key(key)
    item_tag = clean_text("tag", item_tag, longest=40, empty_ok=True)
    new_tag = clean_text("tag", new_tag, longest=40, empty_ok=True)
    lot = clean_text("lot", lot, empty_ok=True)
    form = {
        "type": part_type_id,
        "item_tag": item_tag,
        "new_tag": new_tag,
        "lot": lot,
        "from_shelf": from_shelf,
    }
    asked = {"action": "part-fitted", "subject": f"torch {torch_id}", "form": form}
    with shop.database.write() as session:
        same = _again(session, key, asked)
        if same is not None:
            return int(same["item"])
        torch = session.get(Torch, torch_id)
        if torch is None:
            raise NotFoundError("torch", f"there is no torch {torch_id}", "choose from the list")
        at = shop.clock()
        item = _loose_item(session, item_tag) if item_tag else None
        part_type = item.part_type if item is not None else None
        if part_type is None:
            part_type = session.get(PartType, part_type_id) if part_type_id else None
        if part_type is None:
            raise ServiceError("part", "no part type chosen", "choose one from the list")
        old = fitted(session, torch.id).get(part_type.part)
        _refuse_unseen(part_type.part, old, seen)
        if item is None:
            item = new_item(session, part_type, at, tag=new_tag, lot=lot)
            if from_shelf:
                take_for(shop, session, actor, [item], inspection_id=None)
        now = totals(session, torch.id)
        if old is not None:
            take_out(old, at, now, "taken-out", None)
        put_in(session, torch.id, item, at, now, None)
        shop.note(
            session,
            actor,
            "part-fitted",
            f"torch {torch.id}",
            part=part_type.part,
            tag=item.tag,
            instead_of=old.item.tag if old else None,
            item=item.id,
            **_keyed(key, form),
        )
        return item.id


def _loose_item(session: Session, tag: str) -> PartItem:
    """Return a part by its tag; refuse one that is fitted."""
    item = session.scalar(select(PartItem).where(PartItem.tag == tag))
    if item is None:
        raise NotFoundError("tag", f"no part has the tag '{tag}'", "check the tag")
    where = session.scalar(
        select(Fitting).where(
            Fitting.part_item_id == item.id, Fitting.removed_at.is_(None), Fitting.void.is_(False)
        )
    )
    if where is not None:
        raise ConflictError("tag", f"'{tag}' is fitted in a torch", "take it out there first")
    return item


def remove_part(
    shop: Shop,
    actor: Actor,
    torch_id: int,
    part: str,
    *,
    key: str | None = None,
    seen: Mapping[str, int] | None = None,
) -> None:
    """Take a part out of a torch; it keeps its life and can be fitted elsewhere.

    `key` and `seen` are as in `fit_part`: sent twice it is taken out once, and another part
    than the page showed stays in.
    """
    require(actor, "fit-parts")
    if key is not None:
        check_key(key)
    form = {"part": part}
    asked = {"action": "part-taken-out", "subject": f"torch {torch_id}", "form": form}
    with shop.database.write() as session:
        if _again(session, key, asked) is not None:
            return
        row = fitted(session, torch_id).get(part)
        if row is None:
            raise NotFoundError("part", f"no {part} is fitted there", "look at the torch again")
        _refuse_unseen(part, row, seen)
        take_out(row, shop.clock(), totals(session, torch_id), "taken-out", None)
        shop.note(
            session,
            actor,
            "part-taken-out",
            f"torch {torch_id}",
            part=part,
            tag=row.item.tag,
            **_keyed(key, form),
        )
