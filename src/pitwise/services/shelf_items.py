"""What is kept on the shelf: items, kits, and how they stand."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Mapping, Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.shelf_tables import KitLine, ShelfItem
from pitwise.records.tables import Fitting, PartItem, PartType
from pitwise.services.errors import ConflictError, NotFoundError, ServiceError
from pitwise.services.fields import clean_text
from pitwise.services.permissions import Actor, require
from pitwise.services.shelf_codes import (
    next_free,
    refuse_code_of_item,
    refuse_order_code,
    refuse_tag_of_part,
)
from pitwise.services.shelf_model import ItemFields, ItemLine, KitPart
from pitwise.services.shelf_read import (
    balance,
    balances,
    corrected_past_a_count,
    fell_below_zero,
    get_item,
    kit_lines,
    last_counts,
    on_order,
)
from pitwise.services.shelf_rules import rules_in_force
from pitwise.services.shelf_shown import Said, as_kept, settle
from pitwise.services.shelf_terms import terms_in_force
from pitwise.services.shelf_trail import note_item
from pitwise.services.shopfloor import Shop
from pitwise.trade.model import PART_SLUGS

_KINDS = ("part", "kit", "other")
# A code is scanned from a label, typed by a scanner, and looked for: no spaces, plain signs.
_CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._/+-]{0,39}")
_MOST_IN_A_KIT = 1000


def add_item(
    shop: Shop,
    actor: Actor,
    *,
    kind: str,
    name: str = "",
    part_type_id: int | None = None,
    code: str = "",
    place: str = "",
    kit: Mapping[int, int] | None = None,
) -> int:
    """Put something on the list of what the shelf keeps.

    Parameters
    ----------
    shop, actor
    kind : {"part", "kit", "other"}
    name : str
        Empty for a part: the part type's name.
    part_type_id : int or None
        Of a part.
    code : str
        What its label says; empty: made from its number.
    place : str
        Where it lies.
    kit : mapping of int to int
        Of a kit: pieces by item. A kit's contents stay as they are; another kit is another
        item.
    """
    require(actor, "edit-shelf")
    if kind not in _KINDS:
        raise ServiceError("kind", f"'{kind[:20]}' is not a kind", f"use {', '.join(_KINDS)}")
    name = clean_text("name", name, empty_ok=kind == "part")
    place = clean_text("place", place, empty_ok=True)
    holds = dict(kit or {})
    if (kind == "kit") != bool(holds):
        problem = "holds nothing" if kind == "kit" else "only a kit holds other items"
        raise ServiceError("kit", problem, "give the items and how many pieces of each")
    with shop.database.write() as session:
        code = _free_code(session, code)
        part_type = None
        if kind == "part":
            part_type = session.get(PartType, part_type_id) if part_type_id else None
            if part_type is None:
                raise ServiceError("part", "no part type chosen", "choose one from the list")
            _refuse_twin(session, part_type)
            name = name or _free_name(session, part_type)
        elif part_type_id is not None:
            raise ServiceError("part", f"a {kind} has no part type", "leave it empty")
        return _add(shop, session, actor, kind, name, part_type, code, place, holds).id


def _add(
    shop: Shop,
    session: Session,
    actor: Actor,
    kind: str,
    name: str,
    part_type: PartType | None,
    code: str,
    place: str,
    holds: Mapping[int, int],
) -> ShelfItem:
    _refuse_name(session, name)
    row = ShelfItem(
        kind=kind,
        part_type_id=part_type.id if part_type else None,
        name=name,
        code=code or "-",
        place=place,
        active=True,
        created_by=actor.person_id,
        created_at=shop.clock(),
    )
    session.add(row)
    session.flush()
    if not code:
        row.code = next_free(session, row.id, lambda n: f"S-{n:04d}")
    for item_id, pieces in sorted(holds.items()):
        held = get_item(session, item_id)
        if held.kind == "kit":
            raise ServiceError("kit", f"'{held.name}' is a kit itself", "give its items instead")
        if not 1 <= pieces <= _MOST_IN_A_KIT:
            raise ServiceError("kit", f"{pieces} pieces of '{held.name}'", "give 1 or more")
        session.add(KitLine(kit_id=row.id, item_id=item_id, pieces=pieces))
    note_item(
        shop, session, actor, "shelf-item-added", row, name=name, code=row.code, kit=_plain(holds)
    )
    return row


def _plain(holds: Mapping[int, int]) -> dict[str, int]:
    return {str(k): v for k, v in holds.items()}


def _refuse_twin(session: Session, part_type: PartType) -> None:
    twin = session.scalar(select(ShelfItem).where(ShelfItem.part_type_id == part_type.id))
    if twin is not None:
        raise ConflictError(
            "part", f"'{part_type.name}' is kept already, as {twin.code}", "open that item"
        )


def _refuse_name(session: Session, name: str, but: int | None = None) -> None:
    twin = session.scalar(select(ShelfItem.id).where(ShelfItem.name == name))
    if twin not in (None, but):
        raise ConflictError("name", f"there is an item '{name}' already", "choose another name")


def _free_name(session: Session, part_type: PartType) -> str:
    """Return the part type's name; with the part's, where something else has that name."""
    if session.scalar(select(ShelfItem.id).where(ShelfItem.name == part_type.name)) is None:
        return part_type.name
    return f"{part_type.name[:60]} ({part_type.part})"


def _free_code(session: Session, code: str, but: int | None = None) -> str:
    """Check a code; labels of parts and orders are codes too, and must stay apart."""
    code = clean_text("code", code, longest=40, empty_ok=True)
    if not code:
        return ""
    if not _CODE.fullmatch(code):
        raise ServiceError(
            "code",
            f"'{code}' has a sign that scanners trip over",
            "use letters, digits and . _ / + - only, without spaces",
        )
    refuse_order_code("code", code)
    refuse_code_of_item(session, "code", code, but)
    refuse_tag_of_part(session, "code", code)
    return code


_SAID = {
    "name": Said("name"),
    "code": Said("code"),
    "place": Said("place"),
    "active": Said("choice whether it is kept"),
}


def edit_item(
    shop: Shop,
    actor: Actor,
    item_id: int,
    *,
    name: str,
    code: str,
    place: str,
    active: bool,
    shown: ItemFields | None = None,
) -> None:
    """Change an item's name, code or place, or put it aside.

    Only what is not on the shelf, in no kit that is kept and not on order can be put aside:
    else pieces would be nowhere.

    Parameters
    ----------
    shop, actor
    item_id : int
    name, code, place : str
    active : bool
    shown : ItemFields or None
        The item as the screen showed it before it was changed: what is as it was shown was
        not touched, and stays as the book has it. None: all that is given is meant.

    Raises
    ------
    StaleError
        Somebody else has changed since what was changed here; nothing is saved then.
    ConflictError
        Something else has that name or code, or the item can't be put aside yet.
    """
    require(actor, "edit-shelf")
    name = clean_text("name", name)
    code = clean_text("code", code, longest=40, empty_ok=True)
    place = clean_text("place", place, empty_ok=True)
    if not code:
        raise ServiceError("code", "is empty", "give what its label says")
    with shop.database.write() as session:
        row = get_item(session, item_id)
        there = ItemFields(row.name, row.code, row.place, row.active)
        given = {"name": name, "code": code, "place": place, "active": active}
        was = there if shown is None else _as_kept(shown)
        after = ItemFields(
            **settle(_SAID, given, dataclasses.asdict(was), dataclasses.asdict(there))
        )
        if after == there:
            return
        if after.name != there.name:
            _refuse_name(session, after.name, item_id)
        if after.code != there.code:
            _free_code(session, after.code, item_id)
        if there.active and not after.active:
            _refuse_aside(session, row)
        row.name, row.code, row.place = after.name, after.code, after.place
        row.active = after.active
        note_item(
            shop,
            session,
            actor,
            "shelf-item-edited",
            row,
            before=dataclasses.asdict(there),
            after=dataclasses.asdict(after),
        )


def _as_kept(shown: ItemFields) -> ItemFields:
    name, code, place = (
        as_kept(field, text)
        for field, text in (("name", shown.name), ("code", shown.code), ("place", shown.place))
    )
    return ItemFields(name, code, place, shown.active)


def _refuse_aside(session: Session, row: ShelfItem) -> None:
    there = balance(session, row.id)
    if there != 0:
        raise ConflictError(
            "active", f"the book has {there} of it", "count the shelf to 0 first, then do it again"
        )
    if row.id in on_order(session):
        raise ConflictError("active", "some of it is on order", "close that order first")
    for kit, holds in kit_lines(session).items():
        if row.id in holds:
            of = get_item(session, kit)
            if of.active:
                raise ConflictError(
                    "active", f"the kit '{of.name}' holds it", "put that kit aside first"
                )


def missing_types(session: Session) -> list[PartType]:
    """Return the part types that are in a torch now and are not kept on the shelf."""
    query = (
        select(PartType)
        .where(
            PartType.id.in_(
                select(PartItem.part_type_id)
                .join(Fitting, Fitting.part_item_id == PartItem.id)
                .where(Fitting.removed_at.is_(None), Fitting.void.is_(False))
            ),
            PartType.id.not_in(
                select(ShelfItem.part_type_id).where(ShelfItem.part_type_id.is_not(None))
            ),
        )
        .order_by(PartType.name)
    )
    types = session.scalars(query).all()
    return sorted(types, key=lambda t: (PART_SLUGS.index(t.part), t.name))


def add_items_for_types(shop: Shop, actor: Actor, part_type_ids: Sequence[int]) -> list[int]:
    """Keep these part types on the shelf, all or none; those that are kept already stay."""
    require(actor, "edit-shelf")
    with shop.database.write() as session:
        out = []
        for ident in dict.fromkeys(part_type_ids):
            part_type = session.get(PartType, ident)
            if part_type is None:
                raise NotFoundError(
                    "part", f"there is no part type {ident}", "choose from the list"
                )
            kept = session.scalar(select(ShelfItem).where(ShelfItem.part_type_id == ident))
            if kept is None:
                name = _free_name(session, part_type)
                kept = _add(shop, session, actor, "part", name, part_type, "", "", {})
            out.append(kept.id)
        return out


def item_lines(shop: Shop, actor: Actor, *, inactive: bool = False) -> list[ItemLine]:
    """Return every item as it stands: parts in the order they come off, kits, then the rest."""
    require(actor, "view")
    with shop.database.read() as session:
        return lines_of(session, inactive=inactive)


def lines_of(session: Session, *, inactive: bool = False) -> list[ItemLine]:
    """Return every item as it stands, in a session that is open."""
    query = select(ShelfItem)
    if not inactive:
        query = query.where(ShelfItem.active)
    return sorted(_lines(session, list(session.scalars(query))), key=_order)


def _order(line: ItemLine) -> tuple[int, int, str]:
    place = PART_SLUGS.index(line.part) if line.part in PART_SLUGS else 0
    return _KINDS.index(line.kind), place, line.name


def item_line(session: Session, item_id: int) -> ItemLine:
    """Return one item as it stands.

    Raises
    ------
    NotFoundError
    """
    return _lines(session, [get_item(session, item_id)])[0]


def _lines(session: Session, items: Sequence[ShelfItem]) -> list[ItemLine]:
    there, holds, coming = balances(session), kit_lines(session), on_order(session)
    terms, rules, counts = terms_in_force(session), rules_in_force(session), last_counts(session)
    below = fell_below_zero(session, counts)
    doubtful = below | corrected_past_a_count(session, counts)
    rows = session.execute(select(ShelfItem.id, ShelfItem.name, ShelfItem.code))
    named = {r.id: (r.name, r.code) for r in rows}
    in_kits: dict[int, int] = {}
    for kit, inside in holds.items():
        for item, pieces in inside.items():
            in_kits[item] = in_kits.get(item, 0) + max(0, there.get(kit, 0)) * pieces
    return [
        ItemLine(
            id=i.id,
            kind=i.kind,
            name=i.name,
            code=i.code,
            place=i.place,
            active=i.active,
            part=i.part_type.part if i.part_type else None,
            part_type_id=i.part_type_id,
            on_shelf=there.get(i.id, 0),
            in_kits=in_kits.get(i.id, 0),
            on_order=sum(pieces for pieces, _ in coming.get(i.id, [])),
            terms=terms.get(i.id),
            rule=rules.get(i.id, rules[None]),
            last_counted_at=counts[i.id].at if i.id in counts else None,
            below_zero=i.id in below,
            count_again=i.id in doubtful,
            kit=tuple(
                KitPart(item, *named[item], pieces) for item, pieces in holds.get(i.id, {}).items()
            ),
        )
        for i in items
    ]
