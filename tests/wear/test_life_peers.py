"""Weibull fits and step curves against lifelines, surpyval and R's survival."""

from __future__ import annotations

import json
import math
import warnings
from functools import cache
from pathlib import Path
from typing import Any

import lifelines
import numpy as np
import pytest
from surpyval.univariate.parametric.distributions.weibull import Weibull

from pitwise.wear.life.lives import Floats, Lives
from pitwise.wear.life.steps import cumulative_incidence, kaplan_meier, logrank
from pitwise.wear.life.weibull import WeibullFit, fit_weibull
from pitwise.wear.refusal import FitRefusedError

SETS = 200
KINDS = ("exact", "running", "looks", "between", "mixed", "weighted", "found", "tied")


def made_up(seed: int) -> Lives:
    """Return lives of a kind that goes with the seed."""
    rng = np.random.default_rng(seed)
    kind = KINDS[seed % len(KINDS)]
    n = int(rng.integers(3, 40))
    shape, scale = math.exp(rng.uniform(-0.7, 1.6)), 10 ** rng.uniform(0, 3)
    t = scale * rng.weibull(shape, n)
    low, high, count = t.copy(), t.copy(), np.ones(n)
    stop = scale * rng.uniform(0.2, 1.8, n)
    step = 0.3 * scale
    if kind == "tied":
        t = np.ceil(t / step) * step
        stop = np.ceil(stop / step) * step
    if kind in ("running", "weighted", "tied"):
        low, high = np.minimum(t, stop), np.where(t > stop, np.inf, t)
    if kind == "looks":
        low, high = np.where(t > stop, stop, 0), np.where(t > stop, np.inf, stop)
    if kind in ("between", "mixed"):
        low = np.floor(t / step) * step
        high = low + step * rng.integers(1, 3, n)
    if kind == "mixed":
        exact = rng.uniform(size=n) < 0.4
        low[exact] = high[exact] = t[exact]
        high[~exact & (low > 0) & (rng.uniform(size=n) < 0.3)] = np.inf
    if kind == "found":
        low[rng.uniform(size=n) < 0.4] = 0
    if kind == "weighted":
        count = rng.choice([1, 2, 5, 30], n).astype(float)
    return Lives.of(low, high, count)


@cache
def fits() -> list[tuple[Lives, WeibullFit]]:
    """Return all sets that have a best fit."""
    found = []
    for seed in range(SETS):
        lives = made_up(seed)
        try:
            found.append((lives, fit_weibull(lives)))
        except FitRefusedError:
            # A handful has no maximum; test_life_weibull shows which, and that it is so.
            continue
    return found


def _check(lives: Lives, fit: WeibullFit, scale: float, shape: float, loglik: float) -> bool:
    """Ours is never lower; where theirs is as high the parameters agree. Returns whether so."""
    size = abs(fit.loglik)
    assert fit.loglik >= loglik - 1e-8 * size
    short = fit.loglik - loglik
    if short > 1e-8 * size:
        return False
    # A fall of `short` is at most so many standard errors away.
    apart = 2 * math.sqrt(2 * max(short, 0.0)) + 1e-6
    se_scale, se_shape = np.sqrt(np.diag(fit.covariance))
    assert abs(math.log(scale / fit.scale)) < apart * se_scale
    assert abs(math.log(shape / fit.shape)) < apart * se_shape
    return True


def test_nearly_all_sets_have_a_best_fit() -> None:
    assert len(fits()) >= SETS - 12
    assert max(fit.slope for _, fit in fits()) < 1e-12


def test_lifelines() -> None:
    agreed = 0
    for lives, fit in fits():
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            peer = lifelines.WeibullFitter()
            if lives.stepwise:
                running = lives.running
                peer.fit(lives.lower, ~running, weights=lives.count)
            else:
                peer.fit_interval_censoring(lives.lower, lives.upper, weights=lives.count)
        agreed += _check(lives, fit, peer.lambda_, peer.rho_, peer.log_likelihood_)
    assert agreed > 0.95 * len(fits())


def _for_surpyval(lives: Lives) -> tuple[Floats, Floats]:
    found = (lives.lower == 0) & ~lives.running
    kind = np.where(lives.exact, 0, np.where(lives.running, 1, np.where(found, -1, 2)))
    one = np.where(found, lives.upper, lives.lower)
    if not (kind == 2).any():
        return one, kind
    return np.column_stack([one, np.where(kind == 2, lives.upper, one)]), kind


def test_surpyval() -> None:
    agreed = 0
    for lives, fit in fits():
        x, kind = _for_surpyval(lives)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            try:
                peer = Weibull.fit(x=x, c=kind, n=lives.count.astype(int))
            except ValueError:
                # It asks for two distinct ends; one and a life still running beyond it will do.
                assert np.unique(x[kind != 1]).size == 1
                continue
        scale, shape = (float(x) for x in peer.params)
        agreed += _check(lives, fit, scale, shape, -float(peer.neg_ll()))
    assert agreed > 0.95 * len(fits())


R: dict[str, Any] = json.loads(
    (Path(__file__).parents[1] / "data" / "life_r_survival.json").read_text("utf-8")
)


def _from_r(row: dict[str, Any]) -> Lives:
    upper = [np.inf if u is None else u for u in row["upper"]]
    return Lives.of(row["lower"], upper, row["count"])


def test_weibull_fits_of_r() -> None:
    assert len(R["fits"]) == 200
    for row in R["fits"]:
        fit = fit_weibull(_from_r(row))
        assert fit.loglik == pytest.approx(row["loglik"], rel=1e-10)
        se = np.sqrt(np.diag(fit.covariance))
        assert se == pytest.approx(row["se"], rel=1e-6)
        assert abs(math.log(fit.scale) - row["mu"]) < 1e-8 * se[0]
        assert abs(-math.log(fit.shape) - row["log_sigma"]) < 1e-8 * se[1]


def test_step_curves_of_r() -> None:
    seen = 0
    for row in R["fits"]:
        if "km" not in row:
            continue
        steps = kaplan_meier(_from_r(row))
        for name in ("time", "survival", "se", "low", "high"):
            wanted = np.array([_number(x) for x in np.atleast_1d(row["km"][name])])
            found = getattr(steps, name)
            told = np.isfinite(wanted)
            assert found[told] == pytest.approx(wanted[told], rel=1e-9, abs=1e-12)
            assert not np.isfinite(found[~told]).any()
        seen += 1
    assert seen == 100


def _number(value: object) -> float:
    return math.nan if value is None else float(str(value))


def test_log_rank_of_r() -> None:
    assert len(R["tests"]) == 60
    for row in R["tests"]:
        time, end, group = (np.array(row[k]) for k in ("time", "end", "group"))
        upper = np.where(end == 1, time, np.inf)
        groups = {
            str(g): Lives.of(time[group == g], upper[group == g]) for g in sorted(set(row["group"]))
        }
        test = logrank(groups)
        assert test.df == row["df"]
        assert test.chi2 == pytest.approx(row["chi2"], rel=1e-9)


def test_competing_ends_of_r() -> None:
    assert len(R["ways"]) == 30
    for row in R["ways"]:
        found = cumulative_incidence(row["time"], row["end"])
        assert sorted(found) == ["lost", "worn"]
        for way, steps in found.items():
            wanted = dict(zip(row["at"], row[way], strict=True))
            shares = [wanted[t] for t in steps.time.tolist()]
            assert 1 - steps.survival == pytest.approx(shares, abs=1e-12)


def test_competing_ends_of_lifelines() -> None:
    rng = np.random.default_rng(5)
    time = 30 * rng.weibull(1.5, 80)
    kinds = rng.integers(0, 3, 80)
    found = cumulative_incidence(time, [("", "lost", "worn")[k] for k in kinds])
    for number, way in ((1, "lost"), (2, "worn")):
        peer = lifelines.AalenJohansenFitter().fit(time, kinds, number)
        there = peer.cumulative_density_.iloc[:, 0]
        spread = peer.variance_
        steps = found[way]
        assert 1 - steps.survival == pytest.approx(there.loc[steps.time].to_numpy(), abs=1e-12)
        told = spread.loc[steps.time].to_numpy()
        kept = np.isfinite(told)
        assert kept.sum() > 10
        assert steps.se[kept] ** 2 == pytest.approx(told[kept], abs=1e-12)
