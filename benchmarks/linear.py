"""Fit of random intercepts and slopes to 100,000 readings, beside statsmodels and R's lme4."""

from __future__ import annotations

import shutil
import subprocess
import time
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from statsmodels.regression.mixed_linear_model import MixedLM

from benchmarks.result import Result, Spread
from pitwise.wear.linear import LinearFit, fit_linear

ELECTRODES = 20_000
READINGS = 100_000
SEED = 20261125
ROUNDS = 5
OURS_PER_ROUND = 5
GOAL_STATSMODELS = 200.0
GOAL_LME4 = 20.0
GOAL_LOGLIK = 1e-8

Floats = npt.NDArray[np.float64]

# Start-up and reading are not timed; the second fit leaves out lmer's check of its own optimum.
_R = """
suppressMessages(library(lme4))
args <- commandArgs(TRUE)
a <- matrix(readBin(args[1], "double", 3 * {n}), ncol = 3)
d <- data.frame(y = a[, 1], age = a[, 2], electrode = factor(a[, 3]))
invisible(lmer(Reaction ~ Days + (Days | Subject), sleepstudy, REML = FALSE))
t1 <- system.time(f <- lmer(y ~ age + (age | electrode), d, REML = FALSE))
t2 <- system.time(lmer(y ~ age + (age | electrode), d, REML = FALSE,
                       control = lmerControl(calc.derivs = FALSE)))
cat(sprintf("%.4f %.4f %.15g %s\\n", t1[["elapsed"]], t2[["elapsed"]],
            as.numeric(logLik(f)), packageVersion("lme4")))
"""


def readings() -> tuple[Floats, Floats, npt.NDArray[np.int64]]:
    """Depths, ages and electrodes of made-up readings, in no order, 2 or more to an electrode."""
    rng = np.random.default_rng(SEED)
    more = rng.integers(0, ELECTRODES, READINGS - 2 * ELECTRODES)
    counts = 2 + np.bincount(more, minlength=ELECTRODES)
    electrode = rng.permutation(np.repeat(np.arange(ELECTRODES), counts))
    age = rng.uniform(0.0, 4.0, READINGS)
    root = np.array([[0.05, 0.0], [0.02, 0.08]])
    own = rng.normal(size=(ELECTRODES, 2)) @ root.T
    depth = 0.1 + 0.3 * age + own[electrode, 0] + own[electrode, 1] * age
    return depth + rng.normal(0.0, 0.04, READINGS), age, electrode


def _ours(y: Floats, age: Floats, electrode: npt.NDArray[np.int64]) -> tuple[float, LinearFit]:
    start = time.perf_counter()
    lines = np.column_stack([np.ones_like(age), age])
    found = fit_linear(y, lines, lines, electrode)
    return time.perf_counter() - start, found


def _statsmodels(y: Floats, age: Floats, electrode: npt.NDArray[np.int64]) -> tuple[float, float]:
    lines = np.column_stack([np.ones_like(age), age])
    start = time.perf_counter()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found: Any = MixedLM(y, lines, electrode, lines).fit(reml=False)
    return time.perf_counter() - start, float(found.llf)


def _lme4(rscript: str, script: Path, data: Path) -> tuple[float, float, float, str] | None:
    """Two times, the log-likelihood and the version; None where R has no lme4."""
    done = subprocess.run(
        [rscript, "--vanilla", str(script), str(data)], capture_output=True, text=True, check=False
    )
    if done.returncode != 0:
        if "lme4" in done.stderr and "no package" in done.stderr:
            return None
        raise RuntimeError(f"R could not fit: {done.stderr.strip()}")
    plain, bare, loglik, version = done.stdout.split()[-4:]
    return float(plain), float(bare), float(loglik), version


def run(folder: Path) -> Result:
    y, age, electrode = readings()
    data, script = folder / "readings.bin", folder / "fit.R"
    np.array([y, age, electrode.astype(float)]).tofile(data)
    script.write_text(_R.format(n=READINGS))
    rscript = shutil.which("Rscript")
    _ours(y, age, electrode)
    ours: list[float] = []
    against: list[float] = []
    peers: list[float] = []
    r_times: list[float] = []
    r_ratios: list[float] = []
    bare_ratios: list[float] = []
    r_loglik, version = 0.0, ""
    for _ in range(ROUNDS):
        several = []
        for _ in range(OURS_PER_ROUND):
            seconds, found = _ours(y, age, electrode)
            several.append(seconds)
        mine = float(np.median(several))
        ours.append(mine)
        seconds, theirs = _statsmodels(y, age, electrode)
        peers.append(seconds)
        against.append(seconds / mine)
        answer = _lme4(rscript, script, data) if rscript else None
        if answer is not None:
            r_times.append(answer[0])
            r_ratios.append(answer[0] / mine)
            bare_ratios.append(answer[1] / mine)
            r_loglik, version = answer[2], answer[3]
    figures = {
        "seconds": Spread.of(ours).words(".4f"),
        "statsmodels, seconds": Spread.of(peers).words(".1f"),
        "log-likelihood": f"{found.loglik:.6f} (statsmodels {theirs:.6f})",
    }
    raw = {"seconds": Spread.of(ours).median, "peer_seconds": Spread.of(peers).median}
    if r_ratios:
        off = (found.loglik - r_loglik) / abs(r_loglik)
        ratio = Spread.of(r_ratios)
        met = ratio.median >= GOAL_LME4 and abs(off) <= GOAL_LOGLIK
        figures |= {
            f"lme4 {version}, seconds": Spread.of(r_times).words(".2f"),
            "lme4, ratio": ratio.words(".1f"),
            "… without its check": Spread.of(bare_ratios).words(".1f"),
            "lme4, log-likelihood": f"{r_loglik:.6f}: ours {off:+.1e} of it",
            "lme4, goal": f"at least {GOAL_LME4:g}, log-likelihood to {GOAL_LOGLIK:g}: "
            + ("met" if met else "NOT met"),
        }
        raw |= {
            "lme4_seconds": Spread.of(r_times).median,
            "lme4_ratio": ratio.median,
            "lme4_ratio_without_check": Spread.of(bare_ratios).median,
            "lme4_goal": GOAL_LME4,
            "lme4_loglik_relative": off,
            "lme4_met": float(met),
        }
    else:
        lacks = "R" if rscript is None else "R's lme4"
        figures["lme4"] = f"not measured: {lacks} is not installed (r-base-core, r-cran-lme4)"
    return Result(
        "linear",
        f"wear.linear.fit_linear, {READINGS:,} readings of {ELECTRODES:,} electrodes, ML",
        "statsmodels MixedLM (and R's lme4 below), times slower than ours",
        Spread.of(against),
        goal=GOAL_STATSMODELS,
        at_least=True,
        figures=figures,
        raw=raw,
    )
