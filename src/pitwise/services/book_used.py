"""Check what a signed inspection did to counters and fittings: the lives of parts rest on it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from pitwise.records.rows import Row
from pitwise.services.book_faults import Fault, short


def carried_out(
    record: Mapping[str, Any], children: Mapping[str, Sequence[Row]], *, superseded: bool
) -> Iterator[Fault]:
    """Compare counters and fittings with the record that made them.

    Parameters
    ----------
    record : mapping
    children : mapping of str to sequence of Row
        ``counter``: the readings kept with the inspection; ``fitted`` and ``removed``: the
        fittings it opened and closed, each with its part's tag as ``tag``.
    superseded : bool
        A later correction took back what this inspection did: what it opened is void, and
        what it closed is closed by the correction, or open.
    """
    yield from _counters(record, children.get("counter", ()), superseded)
    totals = record["counters"]
    for part in record["parts"]:
        slug = part["part"]
        ident = record["inspection"]
        opened = [f for f in children.get("fitted", ()) if f["part"] == slug]
        new = part["new_item"]
        wanted: Row | None = None
        if new is not None:
            wanted = {
                "torch_id": record["torch"]["id"],
                "tag": new["tag"],
                "starts_at_fit": totals["total_starts"],
                "minutes_at_fit": totals["total_minutes"],
                "void": superseded,
            }
            wanted |= _when(record, "fitted_at")
        yield from _one("fitting", f"the {slug} that inspection {ident} fitted", opened, wanted)
        closed = [f for f in children.get("removed", ()) if f["part"] == slug]
        wanted = None
        if part["item"] is not None and part["action"] == "replace" and not superseded:
            wanted = {
                "torch_id": record["torch"]["id"],
                "tag": part["item"]["tag"],
                "starts_at_removal": totals["total_starts"],
                "minutes_at_removal": totals["total_minutes"],
                "end": "lost" if part["lost_in_the_cut"] else "replaced",
                "void": False,
            }
            wanted |= _when(record, "removed_at")
        yield from _one("fitting", f"the {slug} that inspection {ident} took out", closed, wanted)


def _when(record: Mapping[str, Any], column: str) -> Row:
    """Return the moment a row must hold; a record from before they were said gives none."""
    return {column: record["happened_at"]} if "happened_at" in record else {}


def _counters(record: Mapping[str, Any], rows: Sequence[Row], superseded: bool) -> Iterator[Fault]:
    said = record["counters"]
    wanted: Row | None = None
    if said["starts"] is not None or said["arc_minutes"] is not None or said["reset"]:
        wanted = {
            "torch_id": record["torch"]["id"],
            "reset": said["reset"],
            "total_starts": said["total_starts"],
            "total_minutes": said["total_minutes"],
            "void": superseded,
        }
        # A counter that was not read carries on what it showed before.
        wanted |= {k: said[k] for k in ("starts", "arc_minutes") if said[k] is not None}
        wanted |= _when(record, "at")
    name = f"the counter reading of inspection {record['inspection']}"
    yield from _one("counter", name, rows, wanted)


def _one(table: str, what: str, rows: Sequence[Row], wanted: Row | None) -> Iterator[Fault]:
    """Check that there is the one row wanted, or none, and that it is as the record says."""
    if wanted is not None and not rows:
        yield Fault(table, what, "is in the signed record, but gone from the book")
    for row in rows if wanted is None else rows[1:]:
        yield Fault(table, f"id {row['id']}", f"was put in as {what}: its record has none such")
    if wanted is not None and rows:
        row = rows[0]
        off = [
            f"'{c}' is {short(row[c])}, the signed record gives {short(v)}"
            for c, v in wanted.items()
            if row[c] != v
        ]
        if off:
            yield Fault(table, f"id {row['id']}", f"{what} has been changed: " + "; ".join(off))
