"""Lives against published data sets; sources and what is from memory stand in the file."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pitwise.wear.life.intervals import wald
from pitwise.wear.life.lives import Lives
from pitwise.wear.life.steps import kaplan_meier, logrank
from pitwise.wear.life.turnbull import turnbull
from pitwise.wear.life.weibull import WeibullFit, fit_weibull

DATA: dict[str, Any] = json.loads(
    (Path(__file__).parents[1] / "data" / "life_published.json").read_text("utf-8")
)


def _holds(fit: WeibullFit, wanted: dict[str, Any], scale: str = "scale") -> None:
    assert fit.shape == pytest.approx(wanted["shape"], rel=1e-9)
    assert fit.scale == pytest.approx(wanted[scale], rel=1e-9)
    assert fit.loglik == pytest.approx(wanted["loglik"], rel=1e-9)
    assert float(fit.quantile(0.1)) == pytest.approx(wanted["B10"], rel=1e-9)
    ranges = wald(fit)
    for name, key in (("shape", "shape_ci"), ("scale", "scale_ci"), ("b10", "B10_ci")):
        found = [ranges[name].low, ranges[name].high]
        assert found == pytest.approx(wanted[key], rel=1e-9)


def test_shock_absorbers() -> None:
    data = DATA["shock_absorbers"]
    t = np.array(data["distance"], dtype=float)
    fit = fit_weibull(Lives.of(t, np.where(np.array(data["failed"]) == 1, t, np.inf)))
    _holds(fit, data["expected"])
    assert math.log(fit.scale) == pytest.approx(data["expected"]["mu"], rel=1e-9)
    se_mu, se_log_shape = np.sqrt(np.diag(fit.covariance))
    assert se_mu == pytest.approx(data["expected"]["se_mu"], rel=1e-9)
    assert se_log_shape / fit.shape == pytest.approx(data["expected"]["se_sigma"], rel=1e-9)
    # As printed.
    assert round(math.log(fit.scale), 2) == 10.23
    assert round(1 / fit.shape, 4) == 0.3164
    assert round(fit.scale) == 27719
    assert round(fit.shape, 2) == 3.16


def test_ten_of_twenty_by_five_hundred_hours() -> None:
    data = DATA["handbook_8412"]
    hours = np.array(data["hours"], dtype=float)
    low = np.append(hours, 500.0)
    high, count = np.append(hours, np.inf), np.append(np.ones(10), data["still_running_at_500"])
    fit = fit_weibull(Lives.of(low, high, count))
    _holds(fit, data["expected"])
    assert round(fit.shape, 2) == 1.72
    assert round(fit.scale, 1) == 606.5


def test_cosmesis_between_looks() -> None:
    data = DATA["cosmesis"]
    pairs = [row.split(",") for row in data["between"]]
    lives = Lives.of([float(a) for a, _ in pairs], [float(b) if b else np.inf for _, b in pairs])
    wanted = data["expected"]
    fit = fit_weibull(lives)
    assert fit.shape == pytest.approx(wanted["weibull"]["shape"], rel=1e-12)
    assert fit.scale == pytest.approx(wanted["weibull"]["scale"], rel=1e-12)
    assert fit.loglik == pytest.approx(wanted["weibull"]["ll"], rel=1e-12)
    found = turnbull(lives)
    rows = np.array(wanted["npmle"])
    assert found.from_.tolist() == rows[:, 0].tolist()
    assert found.to.tolist() == rows[:, 1].tolist()
    assert found.mass == pytest.approx(rows[:, 2], abs=1e-6)
    assert found.loglik == pytest.approx(wanted["npmle_loglik"], rel=1e-12)
    assert found.gap < 1e-8
    printed = [0.0463, 0.0334, 0.0887, 0.0708, 0.0926, 0.0818, 0.1209, 0.4656]
    assert found.mass == pytest.approx(printed, abs=6e-5)


def test_cracks_in_turbine_wheels_looked_at_once() -> None:
    data = DATA["turbine_wheels"]
    hours = np.array(data["hours_100"], dtype=float)
    cracked = np.array(data["cracked"], dtype=float)
    whole = np.array(data["looked_at"], dtype=float) - cracked
    low = np.concatenate([0 * hours, hours])
    high = np.concatenate([hours, np.full(hours.size, np.inf)])
    count = np.concatenate([cracked, whole])
    kept = count > 0
    lives = Lives.of(low[kept], high[kept], count[kept])
    fit = fit_weibull(lives)
    _holds(fit, data["expected"], "scale_100h")
    found = turnbull(lives)
    shares = [found.failed(t)[0] for t in hours]
    assert shares == pytest.approx(data["expected"]["npmle_F"], abs=1e-8)
    assert round(fit.shape, 2) == 2.18


def _weeks(rows: list[Any]) -> Lives:
    t = [float(str(row).rstrip("+")) for row in rows]
    return Lives.of(t, [np.inf if "+" in str(row) else x for row, x in zip(rows, t, strict=True)])


def test_remission_of_two_groups() -> None:
    data = DATA["remission"]
    groups = {name: _weeks(data[name]) for name in ("mp6", "control")}
    test = logrank(groups)
    assert test.chi2 == pytest.approx(data["expected"]["logrank"], rel=1e-9)
    assert test.p == pytest.approx(data["expected"]["p"], rel=1e-3)
    assert test.df == 1
    steps = kaplan_meier(groups["mp6"])
    for time, survival, se in zip(steps.time, steps.survival, steps.se, strict=True):
        wanted = data["expected"]["KM_6MP"][f"{time:g}"]
        assert [survival, se] == pytest.approx(wanted, abs=1e-6)
    assert steps.time.size == len(data["expected"]["KM_6MP"])
