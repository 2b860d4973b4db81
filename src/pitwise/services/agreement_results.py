"""How an agreement study ends, and what it says: which findings people see differently."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from sqlalchemy.orm import Session

from pitwise import __version__
from pitwise.measure.agreement import UNTOLD, Kappa, fleiss_kappa
from pitwise.records.photo_tables import AgreementStudyRow
from pitwise.services.agreement_studies import (
    ACTIONS,
    Judged,
    agreement_row,
    judged_of,
    judgements_of,
    open_agreement,
)
from pitwise.services.book_studies import AGREEMENT, study_digest
from pitwise.services.case_touch import known_id, person
from pitwise.services.errors import ConflictError, NotAllowedError, ServiceError
from pitwise.services.fields import clean_text
from pitwise.services.gauge_studies import names_of
from pitwise.services.permissions import Actor, may, require
from pitwise.services.plain_rows import to_plain
from pitwise.services.shopfloor import Shop
from pitwise.services.study_files import csv_text
from pitwise.trade.given import InputError

ACTION = "action"
# A question of two answers that this share of pairs answers differently is named first.
_OFTEN = 0.1


@dataclass(frozen=True)
class Agreed:
    """How far people agree on one question.

    Attributes
    ----------
    of, name : str
        A finding's id and name, or "action".
    kappa : Kappa or None
        None where it can't be reckoned; `refusal` says why.
    refusal : str
    apart : float
        Share of pairs of people, over all specimens, who said different things.
    apart_on : tuple of int
        Specimens on which not all said the same.
    said : tuple of (str, int)
        How often each answer was given.
    """

    of: str
    name: str
    kappa: Kappa | None
    refusal: str
    apart: float
    apart_on: tuple[int, ...]
    said: tuple[tuple[str, int], ...]

    @property
    def rare(self) -> bool:
        """Whether all but the commonest answer were given no more often than one specimen can.

        Kappa rests on that one specimen then.
        """
        given = [n for _, n in self.said]
        return self.kappa is not None and sum(given) - max(given) <= self.kappa.people

    @property
    def seen(self) -> int:
        """How often a finding was seen."""
        return dict(self.said).get("seen", 0)


@dataclass(frozen=True)
class SpecimenApart:
    """A specimen people saw differently: how many said what, and which findings."""

    specimen: int
    actions: tuple[tuple[str, int], ...]
    findings: tuple[str, ...]


@dataclass(frozen=True)
class AgreementResult:
    """What a finished study says; `findings` with most disagreement first."""

    people: tuple[str, ...]
    left_out: tuple[str, ...]
    judgements: int
    action: Agreed
    findings: tuple[Agreed, ...]
    specimens: tuple[SpecimenApart, ...]
    says: tuple[str, ...]


_Table = Mapping[int, tuple[Judged, ...]]


def _judged_by_all(
    session: Session, row: AgreementStudyRow
) -> tuple[_Table, tuple[str, ...], tuple[str, ...]]:
    """Return judgements by specimen of those who judged every one, their names, the others'."""
    names = names_of(session)
    by_person: dict[int, dict[int, Judged]] = {}
    for j in judgements_of(session, row.id):
        by_person.setdefault(j.person_id, {})[j.specimen] = judged_of(j)
    whole = [who for who, own in by_person.items() if len(own) == row.specimens]
    table = {s: tuple(by_person[who][s] for who in whole) for s in range(1, row.specimens + 1)}
    others = tuple(names.get(who, "?") for who in by_person if who not in whole)
    return table, tuple(names.get(who, "?") for who in whole), others


def counts_of(table: _Table, of: str) -> tuple[tuple[str, ...], list[list[int]]]:
    """Return the answers to one question and how many people gave each, by specimen."""
    answers = ACTIONS if of == ACTION else ("seen", "absent")
    rows = []
    for judged in table.values():
        given = Counter(
            j.action if of == ACTION else ("seen" if of in j.seen else "absent") for j in judged
        )
        rows.append([given[a] for a in answers])
    return answers, rows


def _agreed(table: _Table, of: str, name: str) -> Agreed:
    answers, rows = counts_of(table, of)
    counts = np.array(rows)
    people = int(counts[0].sum())
    pairs = people * (people - 1)
    apart = 1 - float(((counts * (counts - 1)).sum(axis=1) / pairs).mean())
    kappa, refusal = None, ""
    # An answer nobody gave says nothing, and would make a category without any variance.
    named = [a for a, n in zip(answers, counts.sum(axis=0), strict=True) if n]
    given = counts[:, counts.sum(axis=0) > 0]
    if given.shape[1] < 2:
        only = named[0]
        told = {"seen": "everyone saw it on every specimen", "absent": "nobody saw it on any"}
        refusal = f"can’t be told: {told.get(only, f'everyone said {only} of every specimen')}"
    else:
        try:
            kappa = fleiss_kappa(given, named)
        except InputError as error:
            refusal = f"can’t be told: {error.problem}"
    return Agreed(
        of,
        name,
        kappa,
        refusal,
        max(0.0, apart),
        tuple(s for s, row in zip(table, rows, strict=True) if max(row) < people),
        tuple((a, int(n)) for a, n in zip(answers, counts.sum(axis=0), strict=True)),
    )


def _reckoned(shop: Shop, session: Session, row: AgreementStudyRow) -> AgreementResult:
    table, people, others = _judged_by_all(session, row)
    if len(people) < 2:
        raise ServiceError(
            "study",
            f"{'only one person' if people else 'nobody'} has judged every specimen",
            "let at least two judge all of them, each signed in as themselves",
        )
    findings = [_agreed(table, f.id, f.name) for f in shop.base.findings_of(row.part)]
    findings.sort(key=lambda f: (-f.apart, f.kappa.kappa if f.kappa else 2.0, -f.seen, f.name))
    action = _agreed(table, ACTION, "The action")
    apart = []
    for s, judged in table.items():
        differ = tuple(f.name for f in findings if s in f.apart_on)
        if differ or s in action.apart_on:
            given = Counter(j.action for j in judged)
            shown = tuple((a, given[a]) for a in ACTIONS if given[a])
            apart.append(SpecimenApart(s, shown, differ))
    return AgreementResult(
        people,
        others,
        len(table) * len(people),
        action,
        tuple(findings),
        tuple(apart),
        _says(action, findings, len(table)),
    )


def _says(action: Agreed, findings: list[Agreed], specimens: int) -> tuple[str, ...]:
    same = specimens - len(action.apart_on)
    first = f"Everyone gave the same action for {same} of {specimens} specimens"
    if action.kappa:
        k = action.kappa
        sure = f"(kappa {k.kappa:.2f}, {k.low:.2f} to {k.high:.2f})"
        if action.rare:
            first += (
                f"; all but one action were so rare that this tells little of agreement {sure}."
            )
        elif k.word == UNTOLD:
            first += f"; whether that is more than chance gives can’t be told {sure}."
        else:
            first += f"; beyond what chance gives, agreement is {k.word} {sure}."
    else:
        first += f"; kappa {action.refusal}."
    out = [first]
    worst = [f for f in findings if f.apart >= _OFTEN][:3]
    if worst:
        named = "; ".join(
            f"{f.name} (two people differ {100 * f.apart:.0f} % of the time)" for f in worst
        )
        out.append(f"Most disagreed on: {named}.")
    elif any(f.apart > 0 for f in findings):
        out.append("No finding divides people often; see the specimens below.")
    else:
        out.append("Everyone saw the same findings on every specimen.")
    return tuple(out)


def finish(shop: Shop, actor: Actor, study_id: int) -> None:
    """Finish a study: from now on everyone sees what was said, and no more is judged."""
    require(actor, "studies")
    with shop.database.write() as session:
        row = agreement_row(session, study_id)
        if row.state == "closed":
            return
        open_agreement(session, study_id)
        told = _reckoned(shop, session, row)
        row.state, row.closed_by, row.closed_at = "closed", person(actor), shop.clock()
        row.result = json.dumps(
            {"pitwise": __version__, "sheet": shop.base.version, **to_plain(told)},
            ensure_ascii=False,
        )
        session.flush()
        shop.note(
            session,
            actor,
            "agreement-study-finished",
            f"agreement study {row.id}",
            people=list(told.people),
            left_out=list(told.left_out),
            kappa=told.action.kappa.kappa if told.action.kappa else None,
            sha256=study_digest(session, AGREEMENT, row.id),
        )


def result(shop: Shop, actor: Actor, study_id: int) -> AgreementResult:
    """Return what a finished study says; refuse while people still judge."""
    require(actor, "studies")
    with shop.database.read() as session:
        row = agreement_row(session, study_id)
        if row.state != "closed":
            raise ConflictError("study", f"it is {row.state}", "finish it first")
        return _reckoned(shop, session, row)


def table_csv(shop: Shop, actor: Actor, study_id: int, of: str = ACTION) -> str:
    """Return the counts of one question as `pitwise agreement` reads them."""
    require(actor, "studies")
    with shop.database.read() as session:
        row = agreement_row(session, study_id)
        if row.state != "closed":
            raise ConflictError("study", f"it is {row.state}", "finish it first")
        known = [ACTION, *(f.id for f in shop.base.findings_of(row.part))]
        answers, rows = counts_of(
            _judged_by_all(session, row)[0], known_id("question", of, known, "finding of this part")
        )
    return csv_text([answers, *rows])


def discard(shop: Shop, actor: Actor, study_id: int, *, reason: str) -> None:
    """Discard a study; it stays in the book. Who began it may, and a lead."""
    require(actor, "studies")
    reason = clean_text("reason", reason, longest=400, lines=True)
    with shop.database.write() as session:
        row = agreement_row(session, study_id)
        if row.state == "discarded":
            return
        if row.opened_by != actor.person_id and not may(actor, "adopt-study"):
            raise NotAllowedError(
                "study", "somebody else began it", "ask them, or a lead, to discard it"
            )
        row.state = "discarded"
        session.flush()
        shop.note(
            session,
            actor,
            "agreement-study-discarded",
            f"agreement study {row.id}",
            reason=reason,
            sha256=study_digest(session, AGREEMENT, row.id),
        )
