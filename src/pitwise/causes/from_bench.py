"""The bench's findings as symptoms, so that nothing is typed twice."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import NamedTuple

from pitwise.causes.observe import State
from pitwise.trade.model import Sheet


class Look(NamedTuple):
    """How one part was looked at: findings seen, findings absent, or the whole part looked over."""

    seen: Collection[str] = ()
    absent: Collection[str] = ()
    looked: bool = False


def symptoms_from_bench(
    sheet: Sheet, looks: Mapping[str, tuple[Collection[str], Collection[str], bool]]
) -> dict[str, State]:
    """Return the symptoms that a bench inspection settles.

    Parameters
    ----------
    sheet : Sheet
    looks : mapping of part slug to (seen, absent, looked)
        Finding ids of that part; ``looked``: the whole part was looked over, so what was not
        seen is absent.

    Returns
    -------
    dict of str to State
        "seen" where any bench finding the symptom lists was seen; "absent" where every one of
        them was looked at and none seen; each only where the sheet lets the bench show that
        half. Nothing otherwise: not looked at is not absent.
    """
    out: dict[str, State] = {}
    for symptom in sheet.symptoms:
        states = [_state(looks, *name.split("/", 1)) for name in symptom.bench]
        if "seen" in states:
            if symptom.bench_seen:
                out[symptom.id] = "seen"
        elif states and symptom.bench_absent and all(s == "absent" for s in states):
            out[symptom.id] = "absent"
    return out


def bench_signs(sheet: Sheet) -> frozenset[str]:
    """Return the bench findings ("part/finding") that show some symptom."""
    return frozenset(
        name for symptom in sheet.symptoms if symptom.bench_seen for name in symptom.bench
    )


def _state(
    looks: Mapping[str, tuple[Collection[str], Collection[str], bool]], part: str, finding: str
) -> State | None:
    seen, absent, looked = looks.get(part, ((), (), False))
    if finding in seen:
        return "seen"
    return "absent" if looked or finding in absent else None
