"""Choose the tempering of the causes and the worth of a check, on truths of seeds of their own.

`python -m benchmarks.causes_tune`. Prints tables; the chosen values are written into the
sheet's constants by hand. Judged on other seeds by `causes_eval`.
"""

from __future__ import annotations

import itertools
import multiprocessing
import os
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from decimal import Decimal

import numpy as np

from benchmarks.causes_eval import TUNING, at_stage, case_of
from benchmarks.causes_score import STAGES
from benchmarks.causes_work import Desk, by_steps
from benchmarks.causes_worlds import NOISES, Floats, Shape, with_ranges
from pitwise.causes.evidence import compile_evidence
from pitwise.causes.temper import Tempering
from pitwise.trade import Sheet, base_sheet

FLOORS = (0.0, 0.01, 0.02, 0.04)
KEEPS = (1.0, 0.9, 0.8)
ODDS = (1.0, 0.9, 0.8, 0.7, 0.6)
FEW = (0.0, 0.3, 0.5, 0.8)
WORTHS = (0.25, 0.4, 0.6, 0.8)
IN_FORCE = 0.6


def with_constants(sheet: Sheet, **values: float) -> Sheet:
    """Return the sheet with constants changed (dashes written as underscores)."""
    new = {name.replace("_", "-"): Decimal(str(value)) for name, value in values.items()}
    rows = tuple(
        c.model_copy(update={"value": new[c.id]}) if c.id in new else c for c in sheet.constants
    )
    return replace(sheet, constants=rows)


def _claims(job: tuple[float, float, int]) -> tuple[Floats, Floats, np.ndarray, Floats]:
    """Return p and truth of every cause, the stage and telling facts, of every case."""
    floor, keep, cases = job
    sheet = with_constants(
        with_ranges(base_sheet()),
        temper_leak_floor=floor,
        temper_link_keep=keep,
        temper_odds=1.0,
        temper_few=0.0,
    )
    shape = Shape.of(sheet)
    desk = Desk(shape)
    claimed, true, stage, telling = [], [], [], []
    for noise, number in itertools.product(NOISES, range(cases)):
        answers = case_of(TUNING, shape, noise, number)
        for s, name in enumerate(STAGES):
            work = at_stage(desk, answers, name)
            claimed.append(work.p())
            model, evidence = work.evidence()
            telling.append(compile_evidence(model.network, evidence).telling())
            true.append(answers.causes)
            stage.append(s)
    return np.array(claimed), np.array(true, dtype=float), np.array(stage), np.array(telling)


def temper_tables(cases: int, workers: int) -> Iterator[str]:
    prior = Desk(Shape.of(base_sheet())).model.prior
    base = np.log(prior) - np.log1p(-prior)
    jobs = [(f, k, cases) for f in FLOORS for k in KEEPS]
    with _pool(workers) as pool:
        for (floor, keep, _), (p, true, stage, telling) in zip(
            jobs, pool.map(_claims, jobs), strict=True
        ):
            at = np.log(np.clip(p, 1e-12, 1)) - np.log1p(-np.clip(p, 0, 1 - 1e-12))
            for odds, few in itertools.product(ODDS, FEW):
                share = Tempering(odds=odds, few=few).share(telling)
                q = 1 / (1 + np.exp(-(base + share * (at - base))))
                score = -np.mean(true * np.log(q) + (1 - true) * np.log1p(-q)) * q.shape[1]
                gaps = []
                for s, _ in enumerate(STAGES):
                    over = (q > 0.5) & (stage == s)[:, None]
                    bins = [
                        _gap(q, true, over & (q > low) & (q <= low + 0.1))
                        for low in (0.5, 0.6, 0.7, 0.8, 0.9)
                    ]
                    gaps.append(
                        f"{_gap(q, true, over):+.3f} [{' '.join(f'{b:+.2f}' for b in bins)}]"
                    )
                yield (
                    f"floor {floor:.2f} keep {keep:.1f} odds {odds:.1f} few {few:.1f}: "
                    f"log score {score:.3f} gaps {' | '.join(gaps)}"
                )


def _gap(claimed: Floats, true: Floats, which: np.ndarray) -> float:
    return float((claimed - true)[which].mean()) if which.any() else float("nan")


def _minutes(job: tuple[float, int]) -> Floats:
    worth, cases = job
    shape = Shape.of(with_constants(with_ranges(base_sheet()), check_worth=worth))
    desk = Desk(shape)
    out = []
    for noise, number in itertools.product(NOISES, range(cases)):
        answers = case_of(TUNING, shape, noise, number)
        if answers.causes.any():
            out.append(
                [by_steps(at_stage(desk, answers, s)).minutes for s in ("complaint", "strip-down")]
            )
    return np.array(out)


def worth_tables(cases: int, workers: int) -> Iterator[str]:
    jobs = [(w, cases) for w in WORTHS]
    with _pool(workers) as pool:
        found = list(pool.map(_minutes, jobs))
    for worth, minutes in zip(WORTHS, found, strict=True):
        off = minutes - found[WORTHS.index(IN_FORCE)]
        se = off.std(axis=0) / len(off) ** 0.5
        yield (
            f"check-worth {worth}: {minutes.mean(axis=0).round(1)}, "
            f"against {IN_FORCE} {off.mean(axis=0).round(1)} ± {se.round(1)}"
        )


def _pool(workers: int) -> ProcessPoolExecutor:
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    return ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn"))


def main() -> None:
    for line in temper_tables(300, 2):
        print(line, flush=True)
    for line in worth_tables(60, 2):
        print(line, flush=True)


if __name__ == "__main__":
    main()
