"""Practice: judge rendered specimens by eye, see the truth, keep a record of one's own.

What somebody judged is theirs alone: no role sees another's tries, not even their number, and
the audit trail has none of them. The book's own files do hold them.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from pitwise.measure.specimen import truth_of, verdict
from pitwise.records.photo_tables import PracticeTry
from pitwise.services import practice_pictures
from pitwise.services.case_touch import key_used, person
from pitwise.services.drafts import check_key
from pitwise.services.errors import NotFoundError, ServiceError
from pitwise.services.permissions import Actor, require
from pitwise.services.practice_scenes import (
    KIND_WORDS,
    KINDS,
    LEVELS,
    Level,
    level_of,
    scene_of,
)
from pitwise.services.shopfloor import Shop

# Eight of the last ten right: on to the next level. Made up; by guessing, about once in 2400.
ENOUGH, OF_LAST = 8, 10
MOST_SEED = 2**31 - 1
_BLOCK = 10
_Z = 1.959963984540054


@dataclass(frozen=True)
class Share:
    """How many were right, with the 95 % interval of the share.

    Notes
    -----
    Wilson's interval (E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209).
    """

    name: str
    right: int
    tries: int
    note: str = ""

    @property
    def share(self) -> float:
        """Right over tries; 0 without any."""
        return self.right / self.tries if self.tries else 0.0

    @property
    def ends(self) -> tuple[float, float]:
        """The interval's ends."""
        n, p = self.tries, self.share
        if not n:
            return 0.0, 1.0
        middle = (p + _Z**2 / (2 * n)) / (1 + _Z**2 / n)
        half = _Z / (1 + _Z**2 / n) * math.sqrt(p * (1 - p) / n + _Z**2 / (4 * n**2))
        return max(0.0, middle - half), min(1.0, middle + half)


@dataclass(frozen=True)
class TryView:
    """One specimen judged: what was said, what it is, by which numbers."""

    id: int
    seed: int
    level: Level
    said: str
    kind: str
    right: bool
    at: dt.datetime
    words: tuple[str, ...]


@dataclass(frozen=True)
class Record:
    """Somebody's own record."""

    level: Level
    next_level: Level | None
    all: Share
    by_level: tuple[Share, ...]
    by_kind: tuple[Share, ...]
    over_time: tuple[Share, ...]


@dataclass(frozen=True)
class Specimen:
    """A specimen to judge."""

    seed: int
    level: Level
    number: int


def _level(level: str) -> Level:
    found = level_of(level)
    if found is None:
        names = ", ".join(x.id for x in LEVELS)
        raise NotFoundError("level", f"'{level[:20]}' is not known", f"use {names}")
    return found


def _seed(who: int, level: Level, number: int) -> int:
    """Return the seed of somebody's n-th specimen of a level: theirs, and the same again."""
    digest = hashlib.sha256(f"practice:{who}:{level.id}:{number}".encode()).digest()
    return int.from_bytes(digest[:4], "big") % MOST_SEED


def _tries(session: Session, who: int) -> list[PracticeTry]:
    return list(
        session.scalars(
            select(PracticeTry).where(PracticeTry.person_id == who).order_by(PracticeTry.id)
        )
    )


def next_specimen(shop: Shop, actor: Actor, level: str) -> Specimen:
    """Return the next specimen for whoever is signed in; asked again, the same."""
    require(actor, "practice")
    found, who = _level(level), person(actor)
    with shop.database.read() as session:
        done = session.scalar(
            select(func.count())
            .select_from(PracticeTry)
            .where(PracticeTry.person_id == who, PracticeTry.level == found.id)
        )
    number = (done or 0) + 1
    return Specimen(_seed(who, found, number), found, number)


def picture(shop: Shop, actor: Actor, level: str, seed: int) -> bytes:
    """Return a specimen's picture as JPEG, labelled as rendered.

    Only of one that is or was this person's to judge: drawing costs time.
    """
    require(actor, "practice")
    found, who = _level(level), person(actor)
    with shop.database.read() as session:
        own = [t.seed for t in _tries(session, who) if t.level == found.id]
    if seed not in own and seed != _seed(who, found, len(own) + 1):
        raise NotFoundError("specimen", f"{seed} is not yours", "go to Practice")
    return practice_pictures.picture(seed, found)


def _truth(seed: int, level: Level) -> tuple[str, str]:
    """Return the right answer, and with what it was reckoned, as JSON."""
    scene, kind = scene_of(seed, level.id)
    looked = [
        {"finding": s.finding, "value": round(s.value, 6), "bound": s.threshold}
        for s in verdict(truth_of(scene)).looked
    ]
    return kind, json.dumps({"kind": kind, "looked": looked})


def judge(shop: Shop, actor: Actor, *, key: str, level: str, seed: int, said: str) -> int:
    """Keep what somebody says a specimen is; gives the try's number.

    Raises
    ------
    ServiceError
        No such kind; or the specimen is not the one that is this person's turn.
    """
    require(actor, "practice")
    check_key(key)
    if said not in KINDS:
        raise ServiceError("answer", f"'{said[:20]}' is not known", "touch one of the four")
    coming, who = next_specimen(shop, actor, level), person(actor)
    found = coming.level
    # Reckoned before the book is held for writing.
    truth = _truth(seed, found) if seed == coming.seed else None
    with shop.database.write() as session:
        same = session.scalar(select(PracticeTry).where(PracticeTry.key == key))
        if same is not None:
            if (same.person_id, same.seed, same.level) != (who, seed, found.id):
                raise key_used("it stands for another specimen")
            return same.id
        own = {t.seed: t.id for t in _tries(session, who) if t.level == found.id}
        if seed in own:
            # Judged before, perhaps with the truth seen since: the first answer stands.
            return own[seed]
        if truth is None or seed != _seed(who, found, len(own) + 1):
            raise ServiceError("specimen", "is not yours to judge now", "take the next one")
        kind, body = truth
        row = PracticeTry(
            key=key,
            person_id=who,
            seed=seed,
            level=found.id,
            body=json.dumps({"said": said}),
            truth=body,
            right=said == kind,
            at=shop.clock(),
        )
        session.add(row)
        session.flush()
        return row.id


def _own(session: Session, actor: Actor, number: int) -> PracticeTry:
    row = session.get(PracticeTry, number)
    # Another's is no different from none.
    if row is None or row.person_id != actor.person_id:
        raise NotFoundError("specimen", f"you have no try {number}", "go to Practice")
    return row


def read_try(shop: Shop, actor: Actor, number: int) -> TryView:
    """Return one of one's own tries with the truth."""
    require(actor, "practice")
    with shop.database.read() as session:
        row = _own(session, actor, number)
    level, true = _level(row.level), json.loads(row.truth)
    return TryView(
        row.id,
        row.seed,
        level,
        json.loads(row.body)["said"],
        true["kind"],
        row.right,
        row.at,
        _why(true["looked"]),
    )


# What is measured of a specimen, in words, and the factor its number is shown with.
_MEASURED = {
    "orifice-out-of-round": ("Out of round by {0:.1f} % of the diameter", "{0:.0f} %", 100.0),
    "orifice-nicked": ("Deepest nick {0:.2f} mm", "{0:.2f} mm", 1.0),
    "orifice-off-centre": ("Off-centre by {0:.2f} mm", "{0:.2f} mm", 1.0),
}


def _why(looked: Sequence[Mapping[str, Any]]) -> tuple[str, ...]:
    out = []
    for one in looked:
        if one["finding"] == "orifice-nicked" and not one["value"]:
            out.append("No nick")
        elif one["finding"] in _MEASURED:
            said, bound, factor = _MEASURED[one["finding"]]
            side = "over" if one["value"] > one["bound"] else "under"
            out.append(
                f"{said.format(factor * one['value'])}: {side} the bound of "
                f"{bound.format(factor * one['bound'])}"
            )
    return tuple(out)


def try_picture(shop: Shop, actor: Actor, number: int, part: str) -> bytes:
    """Return the truth of one's own try as a picture: "whole" or "hole" (enlarged)."""
    require(actor, "practice")
    if part not in ("whole", "hole"):
        raise NotFoundError("picture", f"'{part[:20]}' is not known", "use whole or hole")
    with shop.database.read() as session:
        row = _own(session, actor, number)
    return practice_pictures.truth_pictures(row.seed, _level(row.level), part)


def record(shop: Shop, actor: Actor) -> Record:
    """Return one's own record, and the level to go on with."""
    require(actor, "practice")
    with shop.database.read() as session:
        tries = _tries(session, person(actor))
    level = _level(tries[-1].level) if tries else LEVELS[0]
    last = [t for t in tries if t.level == level.id][-OF_LAST:]
    place = LEVELS.index(level)
    ready = len(last) == OF_LAST and sum(t.right for t in last) >= ENOUGH
    blocks = [tries[k : k + _BLOCK] for k in range(0, len(tries), _BLOCK)]
    numbered = list(enumerate(blocks))[-8:]
    return Record(
        level,
        LEVELS[place + 1] if ready and place + 1 < len(LEVELS) else None,
        _share("All", tries),
        tuple(_share(x.name, [t for t in tries if t.level == x.id]) for x in LEVELS),
        tuple(_kind_share(kind, tries) for kind in KINDS),
        tuple(_share(f"{_BLOCK * k + 1} to {_BLOCK * k + len(own)}", own) for k, own in numbered),
    )


def _share(name: str, tries: Sequence[PracticeTry], note: str = "") -> Share:
    return Share(name, sum(t.right for t in tries), len(tries), note)


def _kind_share(kind: str, tries: Sequence[PracticeTry]) -> Share:
    own = [t for t in tries if json.loads(t.truth)["kind"] == kind]
    wrong = Counter(json.loads(t.body)["said"] for t in own if not t.right).most_common(1)
    note = f"mostly taken for: {KIND_WORDS[wrong[0][0]].lower()}" if wrong else ""
    return _share(KIND_WORDS[kind], own, note)


def warm(shop: Shop, actor: Actor, level: str) -> None:
    """Draw the next specimen beforehand, so that nobody waits for it."""
    coming = next_specimen(shop, actor, level)
    practice_pictures.picture(coming.seed, coming.level)
