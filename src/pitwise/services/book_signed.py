"""Check one signed inspection: its record, and every row that was signed with it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from pitwise.records.audit import canonical
from pitwise.records.rows import (
    SIGNED_SINCE_PHOTOS,
    SIGNED_WITH_INSPECTION,
    Row,
    child_part,
    inspection_part,
    key_of,
    sheet_part,
)
from pitwise.records.tables import Base
from pitwise.services.book_faults import Fault, short
from pitwise.services.book_used import carried_out
from pitwise.services.record_text import RECORD_FORMAT

_NO_ROWS: Mapping[str, Any] = {}


def differences(table: str, key: str, wanted: Mapping[str, Any], found: Row) -> list[Fault]:
    """Compare a row with what the signed record says it was; one fault names every column."""
    off = [
        f"'{c}' is {short(found.get(c))}, the signed record says {short(wanted.get(c))}"
        for c in sorted(wanted.keys() | found.keys())
        if c not in found or c not in wanted or not _same(wanted[c], found[c])
    ]
    return [Fault(table, key, "has been changed: " + "; ".join(off))] if off else []


def _same(a: object, b: object) -> bool:
    # 1, 1.0 and true are equal in Python, but not the same cell.
    return type(a) is type(b) and a == b


def _children(
    ident: int, name: str, wanted: Sequence[Any], found: Iterable[Row]
) -> tuple[list[Fault], int]:
    table = Base.metadata.tables[name]
    here = {key_of(table, r): r for r in found}
    faults, expected = [], set()
    for item in wanted:
        row = {"inspection_id": ident, **item}
        key = key_of(table, row)
        expected.add(key)
        if key not in here:
            faults.append(Fault(name, key, f"was signed with inspection {ident}, but is gone"))
        else:
            faults += differences(name, key, item, child_part(here[key]))
    for key in here.keys() - expected:
        problem = f"was put in: inspection {ident} was signed without it"
        faults.append(Fault(name, key, problem))
    return faults, len(here)


def _agrees_with_itself(record: Mapping[str, Any], rows: Mapping[str, Any]) -> list[str]:
    """Tell where what people read in a record and the rows in it do not agree."""
    own = rows["inspection"]
    pairs: list[tuple[str, object, object]] = [
        ("number", record["inspection"], own["id"]),
        ("torch", record["torch"]["id"], own["torch_id"]),
        ("signed by", record["signed"]["person"], own["signed_by"]),
        ("signed at", record["signed"]["at"], own["signed_at"]),
        ("sheet", record["sheet"]["sha256"], own["sheet_sha256"]),
        ("supersedes", record["supersedes"], own["supersedes"]),
        ("note", record["note"], own["note"]),
        ("starts", record["counters"]["starts"], own["starts"]),
    ]
    decided = {d["part"]: d for d in rows["decision"]}
    looks = {x["part"]: x for x in rows["look"]}
    for part in record["parts"]:
        slug = part["part"]
        marks = [m for m in rows["mark"] if m["part"] == slug]
        look = looks.get(slug, {"looked": False, "lost": False})
        pairs += [
            (f"{slug}: action", part["action"], decided[slug]["action"]),
            (f"{slug}: computed", part["computed"], decided[slug]["computed"]),
            (f"{slug}: looked", part["looked"], look["looked"]),
            (f"{slug}: lost", part["lost_in_the_cut"], look["lost"]),
            (
                f"{slug}: seen",
                sorted(f["id"] for f in part["seen"]),
                sorted(m["finding"] for m in marks if m["state"] == "seen"),
            ),
            (
                f"{slug}: absent",
                sorted(part["absent"]),
                sorted(m["finding"] for m in marks if m["state"] == "absent"),
            ),
        ]
        if slug == "electrode":
            read = [(r["text"], r["value"], r["unit"]) for r in part["readings"]]
            pairs.append(
                (
                    f"{slug}: readings",
                    read,
                    [(r["text"], r["value"], r["unit"]) for r in rows["pit_reading"]],
                )
            )
    return [name for name, a, b in pairs if a != b]


def _read_record(row: Row, key: str) -> tuple[dict[str, Any] | None, list[Fault]]:
    text = row["record"]
    if not isinstance(text, str):
        return None, [Fault("inspection", key, "is signed, but has no record")]
    faults = []
    if hashlib.sha256(text.encode(errors="surrogatepass")).hexdigest() != row["record_sha256"]:
        faults.append(
            Fault("inspection", key, "'record' has been changed: 'record_sha256' does not fit it")
        )
    try:
        record = json.loads(text)
        same = canonical(record) == text
    except (ValueError, RecursionError) as error:
        problem = f"'record' can't be read ({str(error)[:60]})"
        return None, [*faults, Fault("inspection", key, problem)]
    if not same or not isinstance(record, dict):
        faults.append(Fault("inspection", key, "'record' is not in its canonical form"))
    elif record.get("format") != RECORD_FORMAT:
        faults.append(Fault("inspection", key, f"'record' is not of the form {RECORD_FORMAT}"))
    return (record if isinstance(record, dict) else None), faults


def check_signed(
    row: Row,
    children: Mapping[str, Sequence[Row]],
    sheet: Row | None,
    process: str | None,
    trail: Sequence[tuple[int, str]],
    *,
    superseded: bool,
) -> tuple[list[Fault], int]:
    """Check a signed inspection against its record, and the record against the trail.

    Parameters
    ----------
    row : Row
        The inspection's row.
    children : mapping of str to sequence of Row
        Its rows, by table; and what it did, as `book_used.carried_out` takes it.
    sheet : Row or None
        The used sheet it names.
    process : str or None
        The name of the process it names.
    trail : sequence of (int, str)
        Number and record hash of the audit trail's rows that tell of its signing.
    superseded : bool
        Whether a signed correction takes its place.

    Returns
    -------
    faults : list of Fault
    rows : int
        How many rows were compared.
    """
    ident = row["id"]
    key = f"id {ident}"
    record, faults = _read_record(row, key)
    if not trail:
        faults.append(
            Fault("inspection", key, "is signed, but the audit trail tells of no signing")
        )
    for seq, digest in trail[:1]:
        if digest != row["record_sha256"]:
            faults.append(
                Fault(
                    "inspection",
                    key,
                    f"'record_sha256' is not the one in the audit trail (seq {seq})",
                )
            )
    for seq, _digest in trail[1:]:
        faults.append(
            Fault("audit", f"seq {seq}", f"tells of signing inspection {ident} a second time")
        )
    count = 1
    if record is None:
        return faults, count
    rows = record.get("rows", _NO_ROWS)
    try:
        faults += differences("inspection", key, rows["inspection"], inspection_part(row))
        for name in SIGNED_WITH_INSPECTION:
            wanted = rows.get(name, ()) if name in SIGNED_SINCE_PHOTOS else rows[name]
            more, n = _children(ident, name, wanted, children.get(name, ()))
            faults += more
            count += n
        if sheet is None:
            problem = f"is gone; inspection {ident} was decided by it"
            faults.append(Fault("used_sheet", f"sha256 {row['sheet_sha256']}", problem))
        else:
            faults += differences(
                "used_sheet", f"sha256 {sheet['sha256']}", rows["used_sheet"], sheet_part(sheet)
            )
        if record["process"]["name"] != process:
            problem = f"the record's process {short(record['process']['name'])} is now "
            faults.append(Fault("process", f"id {row['process_id']}", problem + short(process)))
        faults += carried_out(record, children, superseded=superseded)
        off = _agrees_with_itself(record, rows)
    except (KeyError, TypeError, AttributeError, ValueError) as error:
        problem = f"'record' lacks what a record holds ({type(error).__name__}: {error})"
        return [*faults, Fault("inspection", key, problem)], count
    if off:
        faults.append(Fault("inspection", key, f"'record' contradicts itself: {', '.join(off)}"))
    return faults, count
