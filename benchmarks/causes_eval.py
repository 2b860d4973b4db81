"""Does the search for causes save minutes, find the cause, and claim what comes true?

Simulated shops whose truths depart from the sheet (`causes_worlds`), worked on by the engine
(`causes_work`). Writes its tables into docs/causes-evaluation.md. Seeded: the same figures on
every run of the same sheet.
"""

from __future__ import annotations

import itertools
import multiprocessing
import os
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.causes_score import (
    ENGINES,
    STAGES,
    WAYS,
    Claimed,
    Cured,
    Learning,
    Stage,
    found,
    log_score,
    off,
    saving,
)
from benchmarks.causes_work import (
    Desk,
    Work,
    by_order,
    by_steps,
    open_check,
    saved_minutes,
)
from benchmarks.causes_worlds import (
    NOISES,
    Answers,
    Floats,
    Shape,
    Shop,
    draw_case,
    draw_shop,
    with_ranges,
)
from benchmarks.result import Result, Spread
from pitwise.causes.learn import Case, learn
from pitwise.trade import base_sheet

PAGE = Path(__file__).parents[1] / "docs" / "causes-evaluation.md"
SEED = 20251125
JUDGED = 7
"""Family of the seeds judged on; `causes_tune` looks at family 1 only."""
TUNING = 1
LEARNING = 9
SIZES = (0, 10, 25, 50, 100, 200)
LOOKED_AT = 0.5
"""Chance that a check other than the bench's was done in a case a shop learns from."""
WORKED_AT = (0, 200)
"""Sizes at which minutes to cure are taken, which is slow."""
CASES, MORE, CLAIMS, SHOPS, FRESH, WORKED = 120, 10, 300, 12, 60, 2
QUICK = (10, 4, 60, 3, 30, 3)
BINS = (0.5, 0.6, 0.7, 0.8, 0.9)
MOST_OFF, LEAST_SAVED, LEAST_FOUND = 0.10, 0.25, 0.90


def shop_of(
    family: int, shape: Shape, noise: float, number: int, *, plain: bool = False
) -> tuple[Shop, Answers]:
    """Return a shop and its one case; other families are other seeds."""
    rng = np.random.default_rng([SEED, family, round(10 * noise), number])
    shop = replace(draw_shop(rng, shape, noise), plain=plain)
    return shop, draw_case(rng, shop)


def case_of(family: int, shape: Shape, noise: float, number: int) -> Answers:
    """Return one case of a shop of its own."""
    return shop_of(family, shape, noise, number)[1]


def desk_of_sheet() -> Desk:
    """Return the base sheet with a shop's ranges, and nothing learnt."""
    return Desk(Shape.of(with_ranges(base_sheet())))


def at_stage(
    desk: Desk, answers: Answers, stage: Stage, memo: dict[tuple[object, ...], Floats] | None = None
) -> Work:
    """Return a case with the complaint known; after strip-down; or with all checks done."""
    work = Work(desk, answers, memo={} if memo is None else memo)
    if stage == "strip-down":
        work.strip_down()
    elif stage == "everything":
        work.look_at_everything()
    return work


def good_order(desk: Desk, family: int, cases: int) -> tuple[str, ...]:
    """Return the checks by what they save per minute at the start, on average over tuning truths.

    Not the best order there may be, but a better one than any made without the engine.
    """
    total: dict[str, float] = dict.fromkeys((c.id for c in desk.sheet.checks), 0.0)
    for noise, number in itertools.product(NOISES, range(cases)):
        work = at_stage(desk, case_of(family, desk.shape, noise, number), "complaint")
        left = [open_check(work, name) for name in total]
        for check, saved in zip(left, saved_minutes(work, left), strict=True):
            total[check.check] += float(saved) / check.minutes
    return tuple(sorted(total, key=lambda name: -total[name]))


def cure(
    desk: Desk, noise: float, stage: Stage, number: int, good: Sequence[str], *, every: bool
) -> Cured | None:
    """Cure one case in every way; None when no cause is at work, so nothing is to be cured."""
    shop, answers = shop_of(JUDGED, desk.shape, noise, number)
    if not answers.causes.any():
        return None
    fixed = [c.id for c in desk.sheet.checks]
    shuffled = np.random.default_rng([SEED, number]).permutation(fixed).tolist()

    memo: dict[tuple[object, ...], Floats] = {}

    def start() -> Work:
        return at_stage(desk, answers, stage, memo)

    done = [
        by_steps(start()),
        by_order(start(), fixed, "same"),
        by_order(start(), shuffled, "same"),
    ]
    if every:
        told = Desk(desk.shape, truth=shop)
        done += [
            by_order(start(), good, "same"),
            by_order(start(), fixed, "skip"),
            by_order(start(), fixed, "plain"),
            by_steps(at_stage(told, answers, stage)),
        ]
    return Cured(
        noise,
        number,
        stage,
        int(answers.causes.sum()),
        float(desk.cure_minutes[answers.causes].sum()),
        tuple(w.minutes for w in done),
        tuple(w.checks for w in done),
        tuple(len(w.tried) for w in done),
        tuple(done[0].claims),
    )


def claim(desk: Desk, noise: float, number: int) -> list[Claimed]:
    """Return the claims on one case at every stage, ours and those of the bounds."""
    out = []
    for engine in ENGINES:
        shop, answers = shop_of(JUDGED, desk.shape, noise, number, plain=engine == "nothing hidden")
        used = desk if engine == "ours" else Desk(desk.shape, truth=shop)
        for stage in STAGES:
            work = at_stage(used, answers, stage)
            out.append(Claimed(noise, stage, work.p(), answers.causes, engine))
            if engine == "nothing hidden" and stage == "strip-down" and answers.causes.sum() == 1:
                p = work.p_if_one()
                out.append(Claimed(noise, stage, p, answers.causes, "and one cause only"))
    return out


def learning_curve(number: int, fresh: int, worked: int) -> list[Learning]:
    """Let one shop confirm cases and judge its numbers on fresh ones after strip-down.

    In each case it learns from the bench's checks were done and every other with chance one
    half; every true cause is confirmed.
    """
    desk = desk_of_sheet()
    shape = desk.shape
    noise = NOISES[number % len(NOISES)]
    rng = np.random.default_rng([SEED, LEARNING, number])
    shop = draw_shop(rng, shape, noise)

    def with_cause() -> Answers:
        while True:
            answers = draw_case(rng, shop)
            if answers.causes.any():
                return answers

    new = [with_cause() for _ in range(fresh)]
    cases: list[Case] = []
    out = []
    for size in (*SIZES, None):
        while size is not None and len(cases) < size:
            work = at_stage(desk, with_cause(), "strip-down")
            for check in desk.sheet.checks:
                if not check.bench and rng.random() < LOOKED_AT:
                    work.look(check.id)
            cases.append(work.case())
        told = size is None
        knows = Desk(shape, truth=shop) if told else Desk(shape, learn(shape.sheet, cases))
        claims = [
            Claimed(noise, "strip-down", at_stage(knows, a, "strip-down").p(), a.causes)
            for a in new
        ]
        some = new[:worked] if size in WORKED_AT or size is None else []
        minutes = [by_steps(at_stage(knows, a, "strip-down")).minutes for a in some]
        out.append(
            Learning(
                number,
                noise,
                SIZES[-1] if size is None else size,
                found(claims, 1)["any of all"][0],
                found(claims, 3)["any of all"][0],
                log_score(claims),
                float(np.mean(minutes)) if minutes else float("nan"),
                size is None,
            )
        )
    return out


def _cure_job(job: tuple[float, int, int, tuple[str, ...], int]) -> list[Cured]:
    noise, first, last, good, more = job
    desk = desk_of_sheet()
    rows = (
        cure(desk, noise, stage, n, good, every=n < more)
        for n in range(first, last)
        for stage in STAGES[:2]
    )
    return [row for row in rows if row is not None]


def _claim_job(job: tuple[float, int, int]) -> list[Claimed]:
    desk = desk_of_sheet()
    return [c for n in range(job[1], job[2]) for c in claim(desk, job[0], n)]


def _learn_job(job: tuple[int, int, int]) -> list[Learning]:
    return learning_curve(*job)


@dataclass(frozen=True, eq=False)
class Findings:
    """Everything one run found."""

    cured: list[Cured]
    claims: list[Claimed]
    learning: list[Learning]
    good: tuple[str, ...]


def simulate(*, quick: bool = False, workers: int = 2) -> Findings:
    """Run it all on some processes, one thread each."""
    cases, more, claims, shops, fresh, worked = (
        QUICK if quick else (CASES, MORE, CLAIMS, SHOPS, FRESH, WORKED)
    )
    good = good_order(desk_of_sheet(), TUNING, 8 if quick else 40)
    step = 5
    # A spawned worker reads this before it loads its linear algebra.
    before = os.environ.get("OPENBLAS_NUM_THREADS")
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    try:
        with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
            claimed = [
                pool.submit(_claim_job, (noise, n, min(n + 50, claims)))
                for noise in NOISES
                for n in range(0, claims, 50)
            ]
            learnt = [pool.submit(_learn_job, (n, fresh, worked)) for n in range(shops)]
            cured = [
                pool.submit(_cure_job, (noise, n, min(n + step, cases), good, more))
                for n in range(0, cases, step)
                for noise in NOISES
            ]
            return Findings(
                [row for job in cured for row in job.result()],
                [row for job in claimed for row in job.result()],
                [row for job in learnt for row in job.result()],
                good,
            )
    finally:
        if before is None:
            del os.environ["OPENBLAS_NUM_THREADS"]
        else:
            os.environ["OPENBLAS_NUM_THREADS"] = before


def run(folder: Path, *, quick: bool = False) -> Result:
    """Run the evaluation; a full run writes the page's tables, a quick one only prints."""
    from benchmarks.causes_page import tables, write

    out = simulate(quick=quick)
    if not quick:
        write(PAGE, out)
    (folder / "causes-evaluation.md").write_text(tables(out), encoding="utf-8")
    ratios = [1 - saving([c for c in out.cured if c.noise == n], 1)[0] for n in NOISES]
    figures = {
        "saved": "; ".join(
            f"noise {n:g}: {_saved(out, n, 1)} against fixed, {_saved(out, n, 2)} against random"
            for n in NOISES
        ),
        "saved by 25 % or more": "; ".join(
            f"noise {n:g} against {WAYS[way]}: {'met' if share >= LEAST_SAVED else 'NOT MET'}"
            for n in NOISES
            for way in (1, 2)
            for share in [saving([c for c in out.cured if c.noise == n], way)[0]]
        ),
        "claims above 50 %": "; ".join(f"{s}: {off(ours_at(out, s), 0.5)[0]:+.3f}" for s in STAGES),
        "right cause in the top three after strip-down": _found(out),
    }
    return Result(
        "causes_eval" + (" (quick)" if quick else ""),
        "minutes to cure by the diagnosis' steps",
        "the sheet's order of checks, the same engine, truths and rule for check or cure",
        Spread.of(ratios),
        figures=figures,
        raw=raw(out),
    )


def ours_at(out: Findings, stage: Stage) -> list[Claimed]:
    """Return our own claims at one stage."""
    return [c for c in out.claims if c.stage == stage and c.engine == "ours"]


def raw(out: Findings) -> dict[str, Any]:
    """Return the figures that have a goal."""
    values: dict[str, Any] = {}
    for noise in NOISES:
        rows = [c for c in out.cured if c.noise == noise]
        for way in (1, 2):
            values[f"saved_{WAYS[way]}_{noise:g}"], values[f"se_{WAYS[way]}_{noise:g}"] = saving(
                rows, way
            )
    for stage in STAGES:
        values[f"off_{stage}"] = off(ours_at(out, stage), 0.5)[0]
    return values


def _saved(out: Findings, noise: float, way: int) -> str:
    share, se = saving([c for c in out.cured if c.noise == noise], way)
    return f"{100 * share:.0f} % ± {100 * se:.0f}"


def _found(out: Findings) -> str:
    hits = found(ours_at(out, "strip-down"), 3)
    one, both = hits["one"][0], hits["any of all"][0]
    goal = "met" if min(one, both) >= LEAST_FOUND else "NOT MET"
    return f"one fault {100 * one:.0f} %, any right one of all cases {100 * both:.0f} %: {goal}"
