"""Whole-sheet checks of the causes: known ids, no orphans, no checks that wait in a ring."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Collection, Mapping
from typing import TypeVar

from pydantic import BaseModel

from pitwise.trade.cause_rows import (
    Cause,
    Check,
    Conflict,
    Link,
    ReadingKind,
    Remedy,
    Symptom,
)

Key = tuple[str, ...]
Rows = Mapping[str, Mapping[Key, BaseModel]]
Refuse = Callable[[str, Key, str, str], ValueError]
_R = TypeVar("_R", bound=BaseModel)


def _typed(rows: Rows, table: str, kind: type[_R]) -> dict[Key, _R]:
    return {key: row for key, row in rows[table].items() if isinstance(row, kind)}


class _Known:
    """Ids of one table, and the refusal of one that is not among them."""

    def __init__(self, what: str, ids: Collection[str], refuse: Refuse) -> None:
        self.what, self.ids, self._refuse = what, ids, refuse

    def need(self, table: str, key: Key, word: str) -> None:
        if word in self.ids:
            return
        folded = {known.casefold(): known for known in self.ids}
        near = difflib.get_close_matches(word.casefold(), folded, 1)
        raise self._refuse(
            table,
            key,
            f"'{word[:60]}' is no {self.what} of this sheet",
            f"did you mean '{folded[near[0]]}'" if near else f"name a {self.what} that is",
        )


def check_causes(rows: Rows, refuse: Refuse) -> None:
    """Check the cause tables against each other and against the bench's findings.

    Parameters
    ----------
    rows : mapping
        Every table's rows by key, already checked one by one.
    refuse : callable
        ``(table, key, problem, mend)`` -> the error that names file, row and line.

    Raises
    ------
    ValueError
        What `refuse` makes, for the first row that does not fit the rest.
    """
    causes = _typed(rows, "cause", Cause)
    symptoms = _typed(rows, "symptom", Symptom)
    links = _typed(rows, "link", Link)
    checks = _typed(rows, "check", Check)
    remedies = _typed(rows, "remedy", Remedy)
    readings = _typed(rows, "reading", ReadingKind)
    conflicts = _typed(rows, "conflict", Conflict)
    cause = _Known("cause", {c.id for c in causes.values()}, refuse)
    symptom = _Known("symptom", {s.id for s in symptoms.values()}, refuse)
    check = _Known("check", {c.id for c in checks.values()}, refuse)
    reading = _Known("reading", {r.id for r in readings.values()}, refuse)
    bench = _Known("bench finding", {"/".join(key) for key in rows["finding"]}, refuse)

    for key, link in links.items():
        cause.need("link", key, link.cause)
        symptom.need("link", key, link.symptom)
    for key, remedy in remedies.items():
        cause.need("remedy", key, remedy.cause)
        for word in remedy.unless_absent:
            symptom.need("remedy", key, word)
    for key, one in checks.items():
        for word in one.reveals:
            symptom.need("check", key, word)
        for word in one.after:
            check.need("check", key, word)
    for key, kind in readings.items():
        for feed in kind.feeds:
            symptom.need("reading", key, feed.symptom)
        if kind.id in symptom.ids:
            raise refuse(
                "reading", key, f"'{kind.id}' is a symptom's id too", "give the reading its own"
            )
    for key, sign in symptoms.items():
        for word in sign.bench:
            bench.need("symptom", key, word)
    for key, conflict in conflicts.items():
        for term in conflict.terms:
            if term.above is not None:
                for word in term.above:
                    reading.need("conflict", key, word)
                units = {readings[(word,)].unit for word in term.above}
                if len(units) > 1:
                    raise refuse(
                        "conflict",
                        key,
                        f"readings in {' and '.join(sorted(units))} can't be compared",
                        "name two of one unit",
                    )
            if term.symptom is None:
                continue
            symptom.need("conflict", key, term.symptom)
            graded = symptoms[(term.symptom,)].kind == "graded"
            if term.state in ("slight", "much") and not graded:
                raise refuse(
                    "conflict",
                    key,
                    f"'{term.symptom}' has no grades",
                    f"write '{term.symptom} seen'",
                )
    _orphans(causes, symptoms, links, checks, remedies, readings, refuse)
    _groups(symptoms, refuse)
    _ring(checks, refuse)


def _orphans(
    causes: Mapping[Key, Cause],
    symptoms: Mapping[Key, Symptom],
    links: Mapping[Key, Link],
    checks: Mapping[Key, Check],
    remedies: Mapping[Key, Remedy],
    readings: Mapping[Key, ReadingKind],
    refuse: Refuse,
) -> None:
    linked = {link.cause for link in links.values()}
    telling = {link.symptom for link in links.values()}
    cured = {remedy.cause for remedy in remedies.values()}
    revealed = {word for one in checks.values() for word in one.reveals}
    fed = {feed.symptom for kind in readings.values() for feed in kind.feeds}
    for key, cause in causes.items():
        for known, lack, row in (
            (linked, "makes no symptom", "link"),
            (cured, "has no remedy", "remedy"),
        ):
            if cause.id not in known:
                raise refuse(
                    "cause",
                    key,
                    f"cause '{cause.id}' {lack}",
                    f'add a [[{row}]] row with cause = "{cause.id}"',
                )
    for key, sign in symptoms.items():
        if sign.id not in telling:
            raise refuse(
                "symptom",
                key,
                f"symptom '{sign.id}' tells on no cause",
                f'add a [[link]] row with symptom = "{sign.id}"',
            )
        if sign.id not in revealed:
            raise refuse(
                "symptom",
                key,
                f"no check reveals symptom '{sign.id}'",
                "name it in the 'reveals' of a [[check]] row",
            )
        if sign.kind == "reading" and sign.id not in fed:
            raise refuse(
                "symptom",
                key,
                f"no reading feeds symptom '{sign.id}'",
                "name it in the 'feeds' of a [[reading]] row, or write kind = \"plain\"",
            )


def _groups(symptoms: Mapping[Key, Symptom], refuse: Refuse) -> None:
    members: dict[str, list[Key]] = {}
    for key, sign in symptoms.items():
        if sign.group is not None:
            members.setdefault(sign.group, []).append(key)
    for group, keys in members.items():
        if len(keys) == 1:
            raise refuse(
                "symptom",
                keys[0],
                f"group '{group}' has only this symptom",
                "give the group to the other one too, or take it out",
            )


def _ring(checks: Mapping[Key, Check], refuse: Refuse) -> None:
    """Refuse checks that wait for each other, naming the whole ring."""
    after = {one.id: one.after for one in checks.values()}
    done: set[str] = set()

    def walk(code: str, path: tuple[str, ...]) -> None:
        if code in path:
            ring = (*path[path.index(code) :], code)
            raise refuse(
                "check",
                (code,),
                f"these checks wait for each other: {' after '.join(ring)}",
                "take one of them out of an 'after'",
            )
        if code in done:
            return
        for earlier in after[code]:
            walk(earlier, (*path, code))
        done.add(code)

    for code in after:
        walk(code, ())
