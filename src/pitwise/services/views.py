"""What pages and the command line show: torches, records, a part's history."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from pitwise.bench.decide import PIT_PART
from pitwise.records.tables import (
    DecisionRow,
    Fitting,
    InspectionRow,
    PartItem,
    PartType,
    Person,
    Torch,
)
from pitwise.services.ahead import StartsLeft, starts_left
from pitwise.services.errors import BookError, NotFoundError
from pitwise.services.fittings import Life, fitted, life_of, lives_of, totals
from pitwise.services.permissions import Actor, require
from pitwise.services.programs import keep_newest_count
from pitwise.services.setup import selector
from pitwise.services.shopfloor import Shop
from pitwise.services.signing import record_of
from pitwise.trade.model import Limit, Sheet


@dataclass(frozen=True)
class PitView:
    """A signed pit reading: mean and standard uncertainty in mm, and when."""

    depth_mm: float
    u_mm: float | None
    at: dt.datetime
    inspection_id: int


@dataclass(frozen=True)
class FittedView:
    """A part in a torch now, with the life behind it."""

    part: str
    name: str
    tag: str | None
    kind: str | None
    item_id: int | None
    fitted_at: dt.datetime | None
    life: Life | None


@dataclass(frozen=True)
class TorchView:
    """A torch as its card shows it; `starts_left` is None without an electrode or a limit."""

    torch: Torch
    parts: list[FittedView]
    total_starts: int
    total_minutes: float
    last_signed_at: dt.datetime | None
    last_inspection_id: int | None
    last_set: str | None
    last_pit: PitView | None
    limit: Limit | None
    draft_id: int | None
    draft_by: str | None
    starts_since: int
    counter_due: int | None
    missing: list[str]
    starts_left: StartsLeft | None

    @property
    def has_electrode(self) -> bool:
        """Tell whether an electrode is fitted."""
        return any(p.part == PIT_PART and p.tag is not None for p in self.parts)

    @property
    def due(self) -> str:
        """Say what is due, in words: 'never inspected', 'inspect now', 'not yet'."""
        if self.draft_id is not None:
            return "inspection open"
        if self.last_signed_at is None:
            return "never inspected"
        if self.torch.due_starts is not None and self.starts_since >= self.torch.due_starts:
            return "inspect now"
        return "not due"


@dataclass(frozen=True)
class RecordLine:
    """A signed inspection in a list."""

    id: int
    torch: str
    station: str
    at: dt.datetime
    by: str
    set_state: str
    replaced: list[str]
    cleaned: list[str]
    pit_mm: float | None
    superseded_by: int | None


@dataclass(frozen=True)
class RecordView:
    """A signed inspection whole."""

    id: int
    record: dict[str, Any]
    sha256: str
    superseded_by: int | None
    signed_at: dt.datetime
    can_correct: bool
    item_ids: dict[str, int]


@dataclass(frozen=True)
class HistoryPoint:
    """A part at one inspection."""

    inspection_id: int
    at: dt.datetime
    torch: str
    action: str
    starts: int
    arc_minutes: float
    pit_mm: float | None
    pit_u_mm: float | None
    limit_mm: float | None


@dataclass(frozen=True)
class EarlierPart:
    """An earlier part of the same kind in the same torch."""

    tag: str
    points: list[HistoryPoint]


@dataclass(frozen=True)
class PartHistory:
    """One individual part: where it was, what it did, what was found."""

    item: PartItem
    name: str
    life: Life
    fittings: list[tuple[Fitting, str]]
    points: list[HistoryPoint]
    limit: Limit | None
    earlier: list[EarlierPart]


def superseded_map(session: Session, ids: Sequence[int] | None = None) -> dict[int, int]:
    """Return superseded inspection → the one that supersedes it."""
    query = select(InspectionRow.supersedes, InspectionRow.id).where(
        InspectionRow.state == "signed", InspectionRow.supersedes.is_not(None)
    )
    if ids is not None:
        query = query.where(InspectionRow.supersedes.in_(ids))
    return {old: new for old, new in session.execute(query) if old is not None}


def _last_signed(session: Session, torch_id: int) -> InspectionRow | None:
    superseded = select(InspectionRow.supersedes).where(
        InspectionRow.state == "signed", InspectionRow.supersedes.is_not(None)
    )
    return session.scalars(
        select(InspectionRow)
        .where(
            InspectionRow.torch_id == torch_id,
            InspectionRow.state == "signed",
            InspectionRow.id.not_in(superseded),
        )
        .order_by(InspectionRow.signed_at.desc())
        .limit(1)
    ).first()


def _torch_view(shop: Shop, session: Session, sheet: Sheet, torch: Torch) -> TorchView:
    now = totals(session, torch.id)
    have = fitted(session, torch.id)
    lives = lives_of(session, [f.part_item_id for f in have.values()], now)
    parts, missing = [], []
    for part in sheet.parts:
        row = have.get(part.id)
        if row is None:
            missing.append(part.name)
            parts.append(FittedView(part.id, part.name, None, None, None, None, None))
        else:
            parts.append(
                FittedView(
                    part.id,
                    part.name,
                    row.item.tag,
                    row.item.part_type.name,
                    row.item.id,
                    row.fitted_at,
                    lives[row.part_item_id],
                )
            )
    last = _last_signed(session, torch.id)
    record = record_of(last) if last else None
    pit = None
    electrode = have.get(PIT_PART)
    if electrode is not None:
        found = session.execute(
            select(
                DecisionRow.pit_mm, DecisionRow.pit_u_mm, InspectionRow.signed_at, InspectionRow.id
            )
            .join(InspectionRow, InspectionRow.id == DecisionRow.inspection_id)
            .where(
                DecisionRow.part_item_id == electrode.part_item_id,
                DecisionRow.part == PIT_PART,
                DecisionRow.pit_mm.is_not(None),
            )
            .order_by(InspectionRow.signed_at.desc())
            .limit(1)
        ).first()
        if found is not None:
            depth_mm, u_mm, at, inspection_id = found
            if depth_mm is not None and at is not None:
                pit = PitView(depth_mm, u_mm, at, inspection_id)
    draft = session.execute(
        select(InspectionRow.id, Person.name)
        .join(Person, Person.id == InspectionRow.opened_by)
        .where(InspectionRow.torch_id == torch.id, InspectionRow.state == "draft")
    ).first()
    before = record["counters"]["total_starts"] if record else 0
    shown = record["counters"]["starts"] if record else None
    return TorchView(
        torch=torch,
        parts=parts,
        total_starts=now[0],
        total_minutes=now[1],
        last_signed_at=last.signed_at if last else None,
        last_inspection_id=last.id if last else None,
        last_set=record["set"] if record else None,
        last_pit=pit,
        limit=sheet.limit_for(PIT_PART, "pit-depth", selector(torch.process)),
        draft_id=draft[0] if draft else None,
        draft_by=draft[1] if draft else None,
        starts_since=max(0, now[0] - before),
        counter_due=shown + torch.due_starts
        if shown is not None and torch.due_starts is not None
        else None,
        missing=missing,
        starts_left=starts_left(shop, session, torch),
    )


def torches(shop: Shop, actor: Actor) -> list[TorchView]:
    """Return every torch, by station and name."""
    require(actor, "view")
    keep_newest_count(shop)
    with shop.database.read() as session:
        sheet = shop.sheet(session)
        rows = session.scalars(select(Torch)).all()
        rows = sorted(rows, key=lambda t: (t.station.name, t.name))
        return [_torch_view(shop, session, sheet, t) for t in rows]


def torch(shop: Shop, actor: Actor, torch_id: int) -> TorchView:
    """Return one torch."""
    require(actor, "view")
    keep_newest_count(shop)
    with shop.database.read() as session:
        row = session.get(Torch, torch_id)
        if row is None:
            raise NotFoundError("torch", f"there is no torch {torch_id}", "choose from the list")
        return _torch_view(shop, session, shop.sheet(session), row)


def records(
    shop: Shop, actor: Actor, *, torch_id: int | None = None, page: int = 1, size: int = 50
) -> tuple[list[RecordLine], int]:
    """Return one page of signed inspections, newest first, and how many there are."""
    require(actor, "view")
    with shop.database.read() as session:
        query = select(InspectionRow).where(InspectionRow.state == "signed")
        if torch_id is not None:
            query = query.where(InspectionRow.torch_id == torch_id)
        count = session.scalar(select(func.count()).select_from(query.subquery())) or 0
        rows = session.scalars(
            query.order_by(InspectionRow.signed_at.desc(), InspectionRow.id.desc())
            .offset((max(1, page) - 1) * size)
            .limit(size)
        ).all()
        over = superseded_map(session, [r.id for r in rows])
        lines = []
        for row in rows:
            record = record_of(row)
            by_action: dict[str, list[str]] = {"replace": [], "clean": []}
            pit = None
            for part in record["parts"]:
                by_action.setdefault(part["action"], []).append(part["name"])
                if part["part"] == PIT_PART and part["readings"]:
                    pit = sum(r["mm"] for r in part["readings"]) / len(part["readings"])
            lines.append(
                RecordLine(
                    row.id,
                    record["torch"]["name"],
                    record["station"]["name"],
                    row.signed_at or row.opened_at,
                    record["signed"]["by"],
                    record["set"],
                    by_action["replace"],
                    by_action["clean"],
                    pit,
                    over.get(row.id),
                )
            )
        return lines, count


def record(shop: Shop, actor: Actor, inspection_id: int) -> RecordView:
    """Return a signed inspection whole."""
    require(actor, "view")
    with shop.database.read() as session:
        row = session.get(InspectionRow, inspection_id)
        if row is None or row.state != "signed" or row.signed_at is None:
            raise NotFoundError(
                "record", f"there is no signed inspection {inspection_id}", "check the number"
            )
        if hashlib.sha256((row.record or "").encode()).hexdigest() != row.record_sha256:
            raise BookError(
                f"Record {row.id} does not fit its hash: it was changed behind the book's back. "
                "Run 'pitwise book verify', and restore a backup."
            )
        over = superseded_map(session, [row.id]).get(row.id)
        last = _last_signed(session, row.torch_id)
        return RecordView(
            row.id,
            record_of(row),
            row.record_sha256 or "",
            over,
            row.signed_at,
            last is not None and last.id == row.id,
            {
                part: item
                for part, item in session.execute(
                    select(DecisionRow.part, DecisionRow.part_item_id).where(
                        DecisionRow.inspection_id == row.id
                    )
                )
                if item is not None
            },
        )


def _points(session: Session, item_id: int) -> list[HistoryPoint]:
    over = set(superseded_map(session))
    rows = session.execute(
        select(DecisionRow, InspectionRow)
        .join(InspectionRow, InspectionRow.id == DecisionRow.inspection_id)
        .where(DecisionRow.part_item_id == item_id, InspectionRow.state == "signed")
        .order_by(InspectionRow.signed_at)
    ).all()
    return [
        HistoryPoint(
            row.id,
            row.signed_at or row.opened_at,
            row.torch.name,
            d.action,
            d.life_starts or 0,
            d.life_minutes or 0.0,
            d.pit_mm,
            d.pit_u_mm,
            d.limit_mm,
        )
        for d, row in rows
        if row.id not in over
    ]


def part_history(shop: Shop, actor: Actor, item_id: int, *, earlier: int = 4) -> PartHistory:
    """Return one part's history, with some earlier parts of its kind in the same torch."""
    require(actor, "view")
    with shop.database.read() as session:
        item = session.get(PartItem, item_id)
        if item is None:
            raise NotFoundError("part", f"there is no part {item_id}", "choose from a torch")
        sheet = shop.sheet(session)
        rows = session.execute(
            select(Fitting, Torch.name)
            .join(Torch, Torch.id == Fitting.torch_id)
            .where(Fitting.part_item_id == item.id, Fitting.void.is_(False))
            .order_by(Fitting.fitted_at)
        ).all()
        limit, others = None, []
        if rows and item.part_type.part == PIT_PART:
            last = rows[-1][0]
            home = session.get(Torch, last.torch_id)
            if home is not None:
                limit = sheet.limit_for(PIT_PART, "pit-depth", selector(home.process))
            before = session.scalars(
                select(Fitting)
                .where(
                    Fitting.torch_id == last.torch_id,
                    Fitting.part == PIT_PART,
                    Fitting.void.is_(False),
                    Fitting.fitted_at < last.fitted_at,
                    Fitting.part_item_id != item.id,
                )
                .order_by(Fitting.fitted_at.desc())
                .limit(earlier)
            ).all()
            others = [EarlierPart(f.item.tag, _points(session, f.part_item_id)) for f in before]
        return PartHistory(
            item,
            sheet.part(item.part_type.part).name,
            life_of(session, item.id),
            [(f, name) for f, name in rows],
            _points(session, item.id),
            limit,
            [o for o in others if o.points],
        )


def find_parts(shop: Shop, actor: Actor, text: str, *, most: int = 50) -> list[PartItem]:
    """Find individual parts by tag, lot or type."""
    require(actor, "view")
    words = text.strip()[:60]
    with shop.database.read() as session:
        query = select(PartItem).join(PartType)
        if words:
            like = f"%{words.replace('%', '').replace('_', '')}%"
            query = query.where(
                or_(PartItem.tag.ilike(like), PartItem.lot.ilike(like), PartType.name.ilike(like))
            )
        return list(session.scalars(query.order_by(PartItem.id.desc()).limit(most)))
