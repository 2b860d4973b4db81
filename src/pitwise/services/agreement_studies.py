"""Agreement studies: everyone judges the same numbered specimens alone, by the bench's list.

While a study is open nobody sees what others said. A judgement is tied to who is signed in.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable
from dataclasses import dataclass
from random import Random

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.photo_tables import AgreementJudgement, AgreementStudyRow
from pitwise.services.case_touch import key_used, known_id, person
from pitwise.services.drafts import check_key
from pitwise.services.errors import ConflictError, NotFoundError, ServiceError
from pitwise.services.fields import clean_text
from pitwise.services.gauge_studies import names_of
from pitwise.services.gauge_study_view import PersonDone, StudyLine
from pitwise.services.permissions import Actor, may, require
from pitwise.services.shopfloor import Shop
from pitwise.trade.model import PART_SLUGS, Finding

ACTIONS = ("keep", "clean", "replace")
MOST_SPECIMENS = 60


@dataclass(frozen=True)
class Judged:
    """What one person said of one specimen."""

    specimen: int
    seen: frozenset[str]
    action: str


@dataclass(frozen=True)
class AgreementView:
    """A study as its page shows it to one person; only that person's judgements are in it."""

    id: int
    name: str
    part: str
    part_name: str
    look: tuple[str, ...]
    findings: tuple[Finding, ...]
    specimens: int
    state: str
    opened_by: str
    opened_at: dt.datetime
    closed_by: str | None
    closed_at: dt.datetime | None
    done: tuple[PersonDone, ...]
    mine: tuple[Judged, ...]
    specimen: int | None
    judged: Judged | None
    skipped: tuple[int, ...]
    may_discard: bool
    is_lead: bool

    @property
    def judges(self) -> int:
        """How many people have judged every specimen."""
        return sum(p.done == p.total for p in self.done)


def agreement_row(session: Session, study_id: int) -> AgreementStudyRow:
    """Return a study's row."""
    row = session.get(AgreementStudyRow, study_id)
    if row is None:
        raise NotFoundError(
            "study", f"there is no agreement study {study_id}", "choose from the list"
        )
    return row


def open_agreement(session: Session, study_id: int) -> AgreementStudyRow:
    """Return the row of a study that still runs; refuse one that is over."""
    row = agreement_row(session, study_id)
    if row.state != "open":
        raise ConflictError("study", f"it is {row.state} already", "open its page again")
    return row


def judgements_of(session: Session, study_id: int) -> list[AgreementJudgement]:
    """Return a study's judgements, oldest first."""
    return list(
        session.scalars(
            select(AgreementJudgement)
            .where(AgreementJudgement.study_id == study_id)
            .order_by(AgreementJudgement.id)
        )
    )


def judged_of(row: AgreementJudgement) -> Judged:
    """Return what a judgement says."""
    body = json.loads(row.body)
    return Judged(row.specimen, frozenset(body["seen"]), body["action"])


def start(
    shop: Shop, actor: Actor, *, key: str, name: str, part: str, specimens: int | None
) -> int:
    """Start an agreement study on so many numbered specimens of one part; give its number."""
    require(actor, "studies")
    check_key(key)
    if part not in PART_SLUGS:
        raise ServiceError("part", f"'{part[:20]}' is not a part", f"use {', '.join(PART_SLUGS)}")
    if specimens is None or not 2 <= specimens <= MOST_SPECIMENS:
        raise ServiceError(
            "specimens", f"{specimens} is out of range", f"give 2 to {MOST_SPECIMENS}"
        )
    with shop.database.write() as session:
        same = session.scalar(select(AgreementStudyRow).where(AgreementStudyRow.key == key))
        if same is not None:
            return same.id
        row = AgreementStudyRow(
            key=key,
            name=clean_text("name", name),
            part=part,
            specimens=specimens,
            state="open",
            opened_by=person(actor),
            opened_at=shop.clock(),
        )
        session.add(row)
        session.flush()
        shop.note(
            session,
            actor,
            "agreement-study-started",
            f"agreement study {row.id}",
            name=row.name,
            part=part,
            specimens=specimens,
        )
        return row.id


def studies(shop: Shop, actor: Actor) -> list[StudyLine]:
    """List agreement studies: open ones first, then the newest."""
    require(actor, "studies")
    with shop.database.read() as session:
        names = names_of(session)
        out = []
        for row in session.scalars(select(AgreementStudyRow).order_by(AgreementStudyRow.id.desc())):
            judged = judgements_of(session, row.id)
            people = len({j.person_id for j in judged})
            out.append(
                StudyLine(
                    row.id,
                    row.name,
                    f"{shop.base.part(row.part).name}, {row.specimens} specimens, {people} "
                    f"{'person' if people == 1 else 'people'} so far"
                    if row.state == "open"
                    else f"{shop.base.part(row.part).name}, {row.specimens} specimens, "
                    f"{people} {'person' if people == 1 else 'people'}",
                    row.state,
                    len(judged),
                    row.specimens * people,
                    names.get(row.opened_by, "?"),
                    row.closed_at or row.opened_at,
                )
            )
        return sorted(out, key=lambda line: line.state != "open")


def order_for(row: AgreementStudyRow, person_id: int) -> list[int]:
    """Return the specimens in one person's own order; the same person gets the same again."""
    own = list(range(1, row.specimens + 1))
    # Seeded by a text, Python's generator is the same on every machine.
    Random(f"{row.key}:{person_id}").shuffle(own)
    return own


def view(
    shop: Shop,
    actor: Actor,
    study_id: int,
    *,
    specimen: int | None = None,
    skipped: Iterable[int] = (),
) -> AgreementView:
    """Return a study as its page shows it to who is signed in.

    Parameters
    ----------
    shop, actor
    study_id : int
    specimen : int or None
        One to judge, or to judge again; None: the next in this person's own order.
    skipped : iterable of int
        Specimens put off on this tablet.
    """
    require(actor, "studies")
    with shop.database.read() as session:
        row = agreement_row(session, study_id)
        names = names_of(session)
        rows = judgements_of(session, row.id)
        mine = {j.specimen: judged_of(j) for j in rows if j.person_id == actor.person_id}
        todo = [s for s in order_for(row, person(actor)) if s not in mine]
        later = [s for s in dict.fromkeys(skipped) if s in todo]
        coming = next((s for s in todo if s not in later), later[0] if later else None)
        if specimen is not None:
            if not 1 <= specimen <= row.specimens:
                raise NotFoundError(
                    "specimen", f"there is no specimen {specimen}", "open the study again"
                )
            coming = specimen
        counts: dict[int, int] = {}
        for j in rows:
            counts[j.person_id] = counts.get(j.person_id, 0) + 1
        lead = may(actor, "adopt-study")
        part = shop.base.part(row.part)
        return AgreementView(
            row.id,
            row.name,
            row.part,
            part.name,
            tuple(part.look),
            tuple(shop.base.findings_of(row.part)),
            row.specimens,
            row.state,
            names.get(row.opened_by, "?"),
            row.opened_at,
            names.get(row.closed_by) if row.closed_by else None,
            row.closed_at,
            tuple(PersonDone(names.get(who, "?"), n, row.specimens) for who, n in counts.items()),
            tuple(mine[s] for s in sorted(mine)),
            coming,
            mine.get(coming) if coming is not None else None,
            tuple(later),
            row.state != "discarded" and (lead or row.opened_by == actor.person_id),
            lead,
        )


def judge(
    shop: Shop,
    actor: Actor,
    study_id: int,
    specimen: int,
    *,
    key: str,
    seen: Iterable[str],
    action: str,
    again: bool = False,
) -> int:
    """Record what one person says of one specimen.

    Parameters
    ----------
    shop, actor
    study_id, specimen : int
    key : str
        Made on the tablet; the same key is one judgement.
    seen : iterable of str
        Findings of the part that are seen; the others were looked for and are absent.
    action : {"keep", "clean", "replace"}
    again : bool
        Sets one's own earlier judgement of it right; what it was stays in the trail.

    Returns
    -------
    int
        The judgement's id.

    Raises
    ------
    ConflictError
        The study is over, or this person has judged the specimen on another tablet.
    """
    require(actor, "studies")
    check_key(key)
    if action not in ACTIONS:
        raise ServiceError("action", f"'{action[:20]}' is not known", "touch one of the three")
    with shop.database.write() as session:
        row = agreement_row(session, study_id)
        known = [f.id for f in shop.base.findings_of(row.part)]
        own = sorted({known_id("finding", f, known, "finding of this part") for f in seen})
        body = json.dumps({"seen": own, "action": action})
        same = session.scalar(select(AgreementJudgement).where(AgreementJudgement.key == key))
        if same is not None:
            there = (same.study_id, same.specimen, same.person_id, same.body)
            if there != (study_id, specimen, actor.person_id, body):
                raise key_used("it stands for another judgement")
            return same.id
        open_agreement(session, study_id)
        if not 1 <= specimen <= row.specimens:
            raise NotFoundError(
                "specimen", f"there is no specimen {specimen}", "open the study again"
            )
        before = session.scalar(
            select(AgreementJudgement).where(
                AgreementJudgement.study_id == study_id,
                AgreementJudgement.specimen == specimen,
                AgreementJudgement.person_id == person(actor),
            )
        )
        if before is not None and not again:
            raise ConflictError(
                f"specimen {specimen}",
                "you have judged it already, on another tablet",
                "open the study again for the next one",
            )
        was = json.loads(before.body) if before is not None else None
        kept = before or AgreementJudgement(
            study_id=study_id, specimen=specimen, person_id=person(actor)
        )
        kept.key, kept.body, kept.at = key, body, shop.clock()
        session.add(kept)
        session.flush()
        shop.note(
            session,
            actor,
            "agreement-judged-again" if was else "agreement-judged",
            f"agreement study {row.id}",
            specimen=specimen,
            seen=own,
            action=action,
            **({"before": was} if was else {}),
        )
        return kept.id
