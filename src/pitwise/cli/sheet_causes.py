"""The causes' tables of `pitwise sheet show`."""

from __future__ import annotations

import difflib

from rich.console import Console
from rich.table import Table

from pitwise.services.errors import ServiceError
from pitwise.trade import ReadingKind, Sheet, Symptom, accepted_units


def print_causes(out: Console, sheet: Sheet) -> None:
    """Print causes, symptoms, checks, remedies, readings, normal looks and conflicts."""
    out.print(_causes(sheet), markup=False)
    for where in dict.fromkeys(s.where for s in sheet.symptoms):
        out.print(_symptoms(sheet, where), markup=False)
    out.print(_checks(sheet), markup=False)
    out.print(_remedies(sheet, None), markup=False)
    out.print(_readings(sheet), markup=False)
    out.print(_normals(sheet, None), markup=False)
    table = _table("Facts that can't well be true together", "Conflict", "When", "Ask", "Source")
    for row in sheet.conflicts:
        table.add_row(row.id, row.when_words, f"{row.say} {row.ask}", row.source)
    out.print(table, markup=False)


def print_place(out: Console, sheet: Sheet, where: str) -> None:
    """Print the symptoms and the normal looks of one part."""
    for table in (_symptoms(sheet, where), _normals(sheet, where)):
        if table.row_count:
            out.print(table, markup=False)


def print_cause(out: Console, sheet: Sheet, code: str) -> None:
    """Print one cause: the symptoms it makes, the checks that show them, its remedies.

    Raises
    ------
    ServiceError
        When the sheet has no such cause; the nearest is named.
    """
    ids = [c.id for c in sheet.causes]
    if code not in ids:
        near = difflib.get_close_matches(code, ids, 1)
        raise ServiceError(
            "--cause",
            f"'{code[:60]}' is no cause of this sheet",
            f"did you mean '{near[0]}'" if near else f"use one of {', '.join(ids)}",
        )
    cause = sheet.cause(code)
    out.print(
        f"{cause.name} ({cause.id}), at work in {_share(cause.base_rate)} of troubles\n"
        f"{cause.text}\nSource: {cause.source}",
        markup=False,
    )
    checks: dict[str, list[str]] = {}
    for check in sheet.checks:
        for word in check.reveals:
            checks.setdefault(word, []).append(check.name)
    table = _table("What it makes", "Symptom", "In words", "How often", "Shown by", "Source")
    for link in sheet.links_of(code):
        sign = sheet.symptom(link.symptom)
        shown = ", ".join(checks[sign.id])
        table.add_row(sign.id, sign.text, _share(link.p), shown, link.source)
    out.print(table, markup=False)
    out.print(_remedies(sheet, code), markup=False)


def _table(title: str, *columns: str) -> Table:
    table = Table(title=title, title_justify="left")
    for name in columns:
        table.add_column(name, overflow="fold")
    return table


def _share(p: float) -> str:
    return f"{100 * p:g} %"


def _causes(sheet: Sheet) -> Table:
    table = _table("Causes", "Cause", "In words", "How often at work", "Symptoms", "Source")
    for cause in sheet.causes:
        table.add_row(
            cause.id,
            f"{cause.name}: {cause.text}",
            _share(cause.base_rate),
            str(len(sheet.links_of(cause.id))),
            cause.source,
        )
    return table


def _symptoms(sheet: Sheet, where: str) -> Table:
    names: dict[str, str] = {p.id: p.name for p in sheet.parts}
    title = f"What tells: {names.get(where, where).lower()}"
    table = _table(title, "Symptom", "In words", "Made by", "By none", "On the bench", "Source")
    for sign in sheet.symptoms:
        if sign.where != where:
            continue
        makers = sorted((k for k in sheet.links if k.symptom == sign.id), key=lambda k: -k.p)
        table.add_row(
            sign.id,
            f"{sign.text}{_kind(sign)}",
            ", ".join(f"{k.cause} {_share(k.p)}" for k in makers),
            _share(sign.leak),
            _bench(sign),
            sign.source,
        )
    return table


def _kind(sign: Symptom) -> str:
    words = {"plain": "", "graded": "slight or much", "reading": "by a reading"}[sign.kind]
    group = f"one fact: {sign.group}" if sign.group else ""
    said = "; ".join(w for w in (words, group) if w)
    return f" ({said})" if said else ""


def _bench(sign: Symptom) -> str:
    half = ""
    if not sign.bench_seen:
        half = " (its absence only)"
    elif not sign.bench_absent:
        half = " (its presence only)"
    return ", ".join(sign.bench) + half


def _checks(sheet: Sheet) -> Table:
    table = _table(
        "Checks", "Check", "In words", "Minutes", "Who", "Caution", "Shows", "After", "Source"
    )
    for check in sheet.checks:
        table.add_row(
            check.id,
            check.text,
            f"{check.minutes:g}",
            check.who + (", isolated" if check.isolated else ""),
            check.caution,
            ", ".join(check.reveals),
            ", ".join(check.after),
            check.source,
        )
    return table


def _remedies(sheet: Sheet, code: str | None) -> Table:
    table = _table(
        "Remedies", "Cause", "Remedy", "Minutes", "Who", "Caution", "Fitted new", "Source"
    )
    for remedy in sheet.remedies if code is None else sheet.remedies_of(code):
        table.add_row(
            remedy.cause,
            remedy.text,
            f"{remedy.minutes:g}",
            remedy.who + (", isolated" if remedy.isolated else ""),
            remedy.caution,
            ", ".join(remedy.parts),
            remedy.source,
        )
    return table


def _readings(sheet: Sheet) -> Table:
    table = _table("Readings", "Reading", "In words", "Units", "Range", "u", "Shows", "Source")
    for kind in sheet.readings:
        table.add_row(
            kind.id,
            f"{kind.name}: {kind.text}",
            ", ".join(accepted_units(kind.unit)),
            _range(kind),
            f"{kind.u:g} {kind.unit}",
            ", ".join(f"{f.symptom} when {f.beyond}" for f in kind.feeds),
            kind.source,
        )
    return table


def _range(kind: ReadingKind) -> str:
    needed = {f.beyond for f in kind.feeds}
    ends = (("low", "from", kind.low), ("high", "to", kind.high))
    said = [f"{word} {value:g} {kind.unit}" for _, word, value in ends if value is not None]
    said += [f"{end}: the shop's" for end, _, value in ends if value is None and end in needed]
    return ", ".join(said)


def _normals(sheet: Sheet, where: str | None) -> Table:
    table = _table("Looks that worry and should not", "Where", "Look", "Why", "Source")
    for row in sheet.normals:
        if where is None or row.where == where:
            table.add_row(row.where, row.text, row.why, row.source)
    return table
