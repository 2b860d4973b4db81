"""A technician at work on a torch in trouble: looks, tries cures, counts the minutes.

Every way of working uses the same engine, the same answers and the same rule for when to stop
checking and try a cure. Only which check comes next differs. A cure costs its minutes whether
it was the right one or not; the trouble ends when every true cause was cured. A check costs its
minutes and those of checks that must come before it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Literal

import numpy as np

from benchmarks.causes_worlds import PIT, Answers, Bools, Floats, Shape, Shop
from pitwise.causes.diagnosis import NextCheck, RankedCause
from pitwise.causes.evidence import Evidence, compile_evidence
from pitwise.causes.learn import TEACHES_FROM, Case, Learnt
from pitwise.causes.model import Model, build
from pitwise.causes.observe import Observations, State
from pitwise.causes.pit import Faster, faster_of, pit_log_ratio
from pitwise.causes.posterior import posterior_draws, posteriors
from pitwise.causes.readings import Reading, reading_log_ratio
from pitwise.causes.remedy import first_remedies
from pitwise.causes.step import next_step, open_checks, repair_order, worth_of_checks
from pitwise.causes.temper import Tempering
from pitwise.trade import Sheet

How = Literal["same", "skip", "plain"]
"""How an order of checks is followed: by our rule for check or cure, the next in the order
whatever it is worth ("same"); the same, passing over checks that do not pay ("skip"); or cure
when the likeliest cause is at `try-at`, or its cure's expected waste is shorter than the next
check ("plain")."""

_GRADES: tuple[State, ...] = ("absent", "slight", "much")
_TOLD = math.log(TEACHES_FROM)


@dataclass(frozen=True, eq=False)
class Desk:
    """What is the same for every case: the sheet, its model, what was learnt."""

    shape: Shape
    learnt: Learnt | None = None
    truth: Shop | None = None
    """Whose own numbers the engine is given, untempered, in place of the sheet's: a bound."""

    @cached_property
    def sheet(self) -> Sheet:
        return self.shape.sheet

    @cached_property
    def model(self) -> Model:
        model = build(self.sheet, self.learnt)
        if self.truth is None:
            return model
        much, leak_much = (
            np.where(self.shape.graded, x, np.nan) for x in (self.truth.much, self.truth.leak_much)
        )
        return replace(
            model,
            prior=self.truth.prior,
            leak=self.truth.leak,
            link=self.truth.link,
            much=much,
            leak_much=leak_much,
            tempering=Tempering(),
        )

    @cached_property
    def cap(self) -> float:
        return math.log(float(self.sheet.constant("likelihood-cap")))

    @cached_property
    def faster(self) -> Faster:
        return faster_of(self.sheet)

    @cached_property
    def try_at(self) -> float:
        return float(self.sheet.constant("try-at"))

    @cached_property
    def check_worth(self) -> float:
        return float(self.sheet.constant("check-worth"))

    @cached_property
    def cure_minutes(self) -> Floats:
        first = [self.sheet.remedies_of(c)[0].minutes for c in self.shape.causes]
        return np.array(first, dtype=np.float64)

    @cached_property
    def questions(self) -> frozenset[str]:
        """Every question a diagnosis may ask: answered, since the simulated facts stand."""
        twice = (f"two-answers-{s}" for s in self.shape.symptoms)
        return frozenset((*(c.id for c in self.sheet.conflicts), *twice))


@dataclass(eq=False)
class Work:
    """One case being worked on."""

    desk: Desk
    answers: Answers
    findings: dict[str, State] = field(default_factory=dict)
    readings: dict[str, Reading] = field(default_factory=dict)
    log_ratios: dict[str, float] = field(default_factory=dict)
    done: set[str] = field(default_factory=set)
    tried: set[str] = field(default_factory=set)
    minutes: float = 0.0
    checks: int = 0
    memo: dict[tuple[object, ...], Floats] = field(default_factory=dict)
    """What was worked out of this case in states met before; ways of working may share it."""
    claims: list[tuple[float, bool]] = field(default_factory=list)
    """Of each cure tried: how probable its cause was said to be, and whether it was at work."""

    def __post_init__(self) -> None:
        for j in self.answers.complaint:
            self.findings[self.desk.shape.symptoms[j]] = self._state(j)

    def _state(self, j: int) -> State:
        grade = int(self.answers.grade[j])
        if self.desk.shape.graded[j]:
            return _GRADES[grade]
        return "seen" if grade else "absent"

    def look(self, check: str) -> None:
        """Do a check: everything it reveals becomes known."""
        shape = self.desk.shape
        for symptom in self.desk.sheet.check(check).reveals:
            if symptom in self.known:
                continue
            j = shape.at[symptom]
            if symptom == PIT:
                self.log_ratios[symptom] = pit_log_ratio(*self.answers.pit, self.desk.faster)
            elif self.desk.sheet.symptom(symptom).kind == "reading" and j in shape.read_by:
                for kind in shape.read_by[j]:
                    unit = self.desk.sheet.reading(kind).unit
                    self.readings[kind] = Reading(self.answers.readings[kind], unit)
            else:
                self.findings[symptom] = self._state(j)
        self.done.add(check)

    def strip_down(self) -> None:
        """Do every check of the bench's inspection; its minutes are the inspection's."""
        for check in self.desk.sheet.checks:
            if check.bench:
                self.look(check.id)

    def look_at_everything(self) -> None:
        for check in self.desk.sheet.checks:
            self.look(check.id)

    @property
    def ratios(self) -> dict[str, float]:
        """Capped log ratios of readings and models, as the diagnosis makes them."""
        cap = self.desk.cap
        total = {s: max(-cap, min(cap, x)) for s, x in self.log_ratios.items()}
        for name, reading in self.readings.items():
            kind = self.desk.sheet.reading(name)
            most: dict[str, float] = {}
            for feed in kind.feeds:
                ratio = reading_log_ratio(kind, reading, feed, cap)
                if ratio is not None:
                    most[feed.symptom] = max(most.get(feed.symptom, -cap), ratio)
            for symptom, ratio in most.items():
                total[symptom] = total.get(symptom, 0.0) + ratio
        return {s: max(-cap, min(cap, x)) for s, x in total.items() if s not in self.findings}

    @property
    def known(self) -> frozenset[str]:
        fed = {
            feed.symptom for name in self.readings for feed in self.desk.sheet.reading(name).feeds
        }
        return frozenset(self.findings) | frozenset(self.log_ratios) | fed

    @property
    def observed(self) -> Observations:
        """All that is known, as a diagnosis takes it."""
        return Observations(
            dict(self.findings),
            dict(self.readings),
            dict(self.log_ratios),
            answered=self.desk.questions,
            done=frozenset(self.done),
            excluded=frozenset(self.tried),
        )

    def evidence(self) -> tuple[Model, Evidence]:
        model = self.desk.model.after(frozenset(self.tried))
        return model, model.evidence(self.findings, self.ratios)

    @property
    def state(self) -> tuple[object, ...]:
        """All that the engine is told, hashable: one case gives one answer to each question."""
        parts = (self.findings, self.readings, self.log_ratios, self.tried)
        return (id(self.desk), *(frozenset(part) for part in parts))

    def p(self) -> Floats:
        """Return the claimed probability of every cause."""
        key = ("p", self.state)
        if key not in self.memo:
            self.memo[key] = self._p()
        return self.memo[key]

    def _p(self) -> Floats:
        model, evidence = self.evidence()
        telling = compile_evidence(model.network, evidence).telling()
        exact = posteriors(model.network, evidence).p
        p = model.tempering.posterior(exact, model.prior, telling)
        return np.where(model.open, p, 0.0)

    def p_if_one(self) -> Floats:
        """Return the probability of every cause, were exactly one known to be at work."""
        model, evidence = self.evidence()
        network = model.network
        prior = np.eye(len(model.prior))
        alone = posterior_draws(network, evidence, prior, network.leak[None], network.link[None])
        log = alone.log_evidence + np.log(model.prior) - np.log1p(-model.prior)
        weight = np.exp(log - log.max())
        return np.asarray(weight / weight.sum())

    def ranked(self, p: Floats) -> tuple[RankedCause, ...]:
        rows = [
            RankedCause(c.id, c.name, float(x), float(x), float(x), "", float(b), (), ())
            for c, x, b in zip(self.desk.sheet.causes, p, self.desk.model.prior, strict=True)
        ]
        return tuple(sorted(rows, key=lambda row: -row.p))

    def do(self, check: NextCheck) -> None:
        self.minutes += check.minutes
        for name in (*check.first, check.check):
            self.checks += 1
            self.look(name)

    def cure(self, cause: str, p: float) -> None:
        i = self.desk.shape.causes.index(cause)
        self.minutes += float(self.desk.cure_minutes[i])
        self.tried.add(cause)
        self.claims.append((p, bool(self.answers.causes[i])))

    @property
    def cured(self) -> bool:
        true = np.flatnonzero(self.answers.causes)
        return all(self.desk.shape.causes[i] in self.tried for i in true)

    def case(self) -> Case:
        """Return the closed case, its true causes verified, for learning."""
        looked = {s: state != "absent" for s, state in self.findings.items()}
        for symptom, ratio in self.ratios.items():
            if abs(ratio) >= _TOLD:
                looked[symptom] = ratio > 0
        causes = (self.desk.shape.causes[i] for i in np.flatnonzero(self.answers.causes))
        return Case(frozenset(causes), looked)


def our_step(work: Work, seed: int = 0) -> tuple[str, str, str]:
    """Return what the diagnosis would do: (do, id, cause), without its ranges and reasons."""
    model, evidence = work.evidence()
    ranked = work.ranked(work.p())
    if ranked[0].p >= work.desk.try_at:
        # What checks would tell has no part in this step: weighing them is left out.
        return "try", work.desk.sheet.remedies_of(ranked[0].id)[0].id, ranked[0].id
    checks = open_checks(
        work.desk.sheet, model.network, evidence, work.known, frozenset(work.done), seed
    )
    step = next_step(
        work.desk.sheet,
        model,
        evidence,
        work.observed,
        ranked,
        checks,
        repair_order(first_remedies(work.desk.sheet, ()), ranked),
        (),
        first_remedies(work.desk.sheet, ()),
        seed,
    )
    return step.do, step.id, step.cause


def by_steps(work: Work) -> Work:
    """Work as the diagnosis says; where it says "none", go on with the cures in its order."""
    while not work.cured:
        p = work.p()
        do, name, cause = our_step(work)
        if do == "check":
            work.do(open_check(work, name))
            continue
        if do == "none":
            cause = repair_order(first_remedies(work.desk.sheet, ()), work.ranked(p))[0].cause
        work.cure(cause, float(p[work.desk.shape.causes.index(cause)]))
    return work


def by_order(work: Work, order: Sequence[str], how: How) -> Work:
    """Work through the checks in a given order."""
    sheet = work.desk.sheet
    while not work.cured:
        p = work.p()
        ranked = work.ranked(p)
        repairs = repair_order(first_remedies(sheet, ()), ranked)
        left = [open_check(work, name) for name in order if _open(work, name)]
        check, cure = _choose(work, left, ranked, repairs[0].cause, how)
        if check is not None:
            work.do(check)
        else:
            work.cure(cure, float(p[work.desk.shape.causes.index(cure)]))
    return work


def _choose(
    work: Work, left: list[NextCheck], ranked: Sequence[RankedCause], first: str, how: How
) -> tuple[NextCheck | None, str]:
    top = ranked[0]
    if top.p >= work.desk.try_at:
        return None, top.id
    if not left:
        return None, first
    if how == "plain":
        waste = (1 - top.p) * work.desk.sheet.remedies_of(top.id)[0].minutes
        return (None, top.id) if waste < left[0].minutes else (left[0], "")
    pays = paying(work, left)
    if not pays.any():
        return None, first
    return left[int(np.argmax(pays)) if how == "skip" else 0], ""


def saved_minutes(work: Work, left: Sequence[NextCheck], seed: int = 0) -> Floats:
    """Return the minutes of repairs each check is expected to save."""
    place = {row.id: k for k, row in enumerate(work.desk.sheet.checks)}
    # In the sheet's order whatever the order asked for, so that a state is weighed once.
    at = np.argsort([place[c.check] for c in left])
    key = ("saved", work.state, frozenset(work.done), seed)
    if key not in work.memo:
        model, evidence = work.evidence()
        rows = [left[k] for k in at]
        work.memo[key] = worth_of_checks(
            work.desk.sheet, model, evidence, rows, first_remedies(work.desk.sheet, ()), seed
        ).saved_minutes
    out = np.empty(len(left))
    out[at] = work.memo[key]
    return out


def paying(work: Work, left: Sequence[NextCheck]) -> Bools:
    """Return which checks pay by the rule of the diagnosis."""
    minutes = np.array([c.minutes for c in left])
    return np.asarray(saved_minutes(work, left) * work.desk.check_worth > minutes)


def _open(work: Work, name: str) -> bool:
    reveals = work.desk.sheet.check(name).reveals
    return name not in work.done and not work.known.issuperset(reveals)


def open_check(work: Work, name: str) -> NextCheck:
    """Return an open check with its minutes, as `open_checks` counts them, without its gain."""
    sheet = work.desk.sheet
    row = sheet.check(name)
    first: dict[str, None] = {}

    def walk(code: str) -> None:
        for before in sheet.check(code).after:
            walk(before)
            if _open(work, before):
                first.setdefault(before)

    walk(name)
    steps = [row, *(sheet.check(i) for i in first)]
    return NextCheck(
        name,
        row.name,
        0.0,
        float(sum(s.minutes for s in steps)),
        tuple(s for s in row.reveals if s not in work.known),
        tuple(first),
        any(s.isolated for s in steps),
        row.who,
        row.caution,
    )
