"""Labels of boxes and of individual parts, as a PDF to print."""

from __future__ import annotations

from collections.abc import Mapping

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.shelf_tables import ShelfItem
from pitwise.records.tables import PartItem
from pitwise.reports.labels import MOST_LABELS, PAPERS, Label, Paper, label_pdf
from pitwise.services.errors import NotFoundError, ServiceError
from pitwise.services.fields import whole_number
from pitwise.services.permissions import Actor, require
from pitwise.services.shopfloor import Shop

__all__ = ["PAPERS", "labels"]


def labels(
    shop: Shop,
    actor: Actor,
    *,
    items: Mapping[int, str],
    tags: str = "",
    paper: str,
    skip: str = "",
) -> bytes:
    """Make labels.

    Parameters
    ----------
    shop, actor
    items : mapping of int to str
        How many labels of each item of the shelf, as typed; empty is none.
    tags : str
        Tags of individual parts, one a line; each gets one label.
    paper : str
        Slug of one of `PAPERS`.
    skip : str
        How many labels of the first sheet are used up, as typed; empty is none.

    Returns
    -------
    bytes
        A PDF.

    Raises
    ------
    ServiceError
        Names the field: ``item-7``, ``tags``, ``paper``, ``skip`` or ``labels``.
    """
    require(actor, "shelf")
    sheet = _paper(paper)
    used = whole_number("skip", skip, high=10_000) or 0
    if used >= sheet.places:
        raise ServiceError(
            "skip",
            f"the sheet has {sheet.places} {'label' if sheet.places == 1 else 'labels'}",
            f"give 0 to {sheet.places - 1}",
        )
    with shop.database.read() as session:
        wanted = [*_of_items(session, items), *_of_parts(session, tags)]
    total = sum(label.count for label in wanted)
    if not total:
        raise ServiceError("labels", "none was asked for", "say how many of which, or name tags")
    if total > MOST_LABELS:
        raise ServiceError(
            "labels", f"{total} in one go", f"make at most {MOST_LABELS}, then the next"
        )
    return label_pdf(wanted, sheet, skip=used)


def _paper(slug: str) -> Paper:
    for paper in PAPERS:
        if paper.slug == slug:
            return paper
    raise ServiceError("paper", f"'{slug[:30]}' is not known", "choose one of the list")


def _of_items(session: Session, items: Mapping[int, str]) -> list[Label]:
    out = []
    for item_id, typed in items.items():
        count = whole_number(f"item-{item_id}", typed, high=MOST_LABELS)
        if not count:
            continue
        row = session.get(ShelfItem, item_id)
        if row is None:
            raise NotFoundError("item", f"there is no item {item_id}", "reload the page")
        out.append(Label(row.code, row.name, row.place, count))
    return out


def _of_parts(session: Session, tags: str) -> list[Label]:
    wanted = list(dict.fromkeys(t for line in tags.splitlines() if (t := line.strip())))
    if len(wanted) > MOST_LABELS:
        raise ServiceError("tags", f"{len(wanted)} in one go", f"name at most {MOST_LABELS}")
    out = []
    for tag in wanted:
        row = session.scalar(select(PartItem).where(PartItem.tag == tag))
        if row is None:
            raise ServiceError(
                "tags", f"no part has the tag '{tag[:40]}'", "look it up under Parts"
            )
        kind = row.part_type
        more = kind.part.replace("-", " ") + (f" · lot {row.lot}" if row.lot else "")
        out.append(Label(row.tag, kind.name, more))
    return out
