"""The wear engine's special cases against fits of published data sets.

Reference values were computed with R 4.2.2 and lme4 1.1.31, and with scipy, as each test says.
What a publication prints is quoted from memory and compared to the digits printed.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from pitwise.wear.exact import fit_exact
from pitwise.wear.linear import LinearFit, fit_linear

DATA = Path(__file__).parents[1] / "data"
Floats = npt.NDArray[np.float64]


def _rows(name: str) -> list[dict[str, str]]:
    lines = [x for x in (DATA / name).read_text().splitlines() if not x.startswith("#")]
    return list(csv.DictReader(lines))


def _sleep() -> tuple[Floats, Floats, list[str]]:
    rows = _rows("sleepstudy.csv")
    days = np.array([float(r["Days"]) for r in rows])
    lines = np.column_stack([np.ones_like(days), days])
    return np.array([float(r["Reaction"]) for r in rows]), lines, [r["Subject"] for r in rows]


def _laser() -> tuple[Floats, Floats, list[str]]:
    rows = _rows("gaas_laser.csv")
    return (
        np.array([float(r["increase"]) for r in rows]),
        np.array([float(r["hours"]) / 1000 for r in rows]),
        [r["unit"] for r in rows],
    )


def _fit_sleep(*, reml: bool) -> LinearFit:
    y, lines, subject = _sleep()
    found = fit_linear(y, lines, lines, subject, reml=reml)
    assert found.converged
    assert not found.singular
    return found


def test_sleepstudy_reml_as_lme4_reports_it() -> None:
    found = _fit_sleep(reml=True)
    assert found.deviance == pytest.approx(1743.628272, rel=1e-6)
    assert found.beta == pytest.approx([251.40510485, 10.46728596], rel=1e-6)
    # lmer's default search stops short: its standard deviations are some 1e-5 off the maximum,
    # which the next two tests reach to 1e-6 and better.
    assert found.sd == pytest.approx([24.74065799, 5.92213766], rel=1e-5)
    assert found.corr[0, 1] == pytest.approx(0.06555124, rel=5e-5)
    assert found.resid_sd == pytest.approx(25.59179572, rel=1e-5)
    assert found.deviance < 1743.628272
    # Bates et al., J. Stat. Softw. 67(1) (2015), printed output (quoted from memory).
    assert f"{found.deviance:.1f}" == "1743.6"
    assert [f"{x:.2f}" for x in (*found.sd, found.resid_sd)] == ["24.74", "5.92", "25.59"]


def test_sleepstudy_ml_as_lme4_reports_it() -> None:
    found = _fit_sleep(reml=False)
    assert found.loglik == pytest.approx(-875.9696722, rel=1e-6)
    # As above; here lmer's default search stops 3e-5 short.
    assert found.sd == pytest.approx([23.77975959, 5.71679851], rel=5e-5)
    assert found.resid_sd == pytest.approx(25.59190704, rel=1e-5)
    assert found.loglik > -875.9696723


@pytest.mark.parametrize(
    ("reml", "deviance", "sd", "corr", "resid_sd"),
    [
        (True, 1743.628271958491, [24.740450081, 5.922133082], 0.065551378, 25.591815739),
        (False, 1751.939344463197, [23.780567041, 5.716834606], 0.081320056, 25.591815601),
    ],
)
def test_sleepstudy_as_lme4_finds_it_when_told_to_go_on(
    reml: bool, deviance: float, sd: list[float], corr: float, resid_sd: float
) -> None:
    # lmer with optCtrl xtol_abs = ftol_abs = 1e-13, xtol_rel = 1e-14, ftol_rel = 1e-16; its
    # search has no gradient, so that 1e-6 is as near as rounding of the deviance lets it come.
    found = _fit_sleep(reml=reml)
    assert found.deviance == pytest.approx(deviance, rel=1e-12)
    assert found.sd == pytest.approx(sd, rel=1e-6)
    assert found.corr[0, 1] == pytest.approx(corr, rel=2e-6)
    assert found.resid_sd == pytest.approx(resid_sd, rel=1e-6)


@pytest.mark.parametrize("reml", [True, False])
def test_sleepstudy_in_closed_form(reml: bool) -> None:
    # Every person has the same ten days, so that the maximum is known from each one's own
    # straight line (S. R. Searle, G. Casella, C. E. McCulloch, Variance Components (1992), ch. 4,
    # carried over to two coefficients).
    y, lines, subject = _sleep()
    people = y.reshape(18, 10)
    assert len(set(subject[:10])) == 1
    design = lines[:10]
    own = np.linalg.lstsq(design, people.T, rcond=None)[0]
    noise = float(((people.T - design @ own) ** 2).sum()) / (18 * 8)
    between = np.cov(own, ddof=1 if reml else 0) - noise * np.linalg.inv(design.T @ design)
    found = _fit_sleep(reml=reml)
    assert found.beta == pytest.approx(own.mean(axis=1), rel=1e-11)
    assert found.resid_sd**2 == pytest.approx(noise, rel=1e-8)
    assert found.cov_random == pytest.approx(between, rel=1e-7)


def test_laser_random_slope() -> None:
    # Reference: R lmer, ML, increase = (mu + b) h/1000 + e, hour 0 included.
    increase, kilohours, unit = _laser()
    found = fit_linear(increase, kilohours, kilohours, unit)
    assert found.converged
    assert found.beta == pytest.approx([2.046652264], rel=1e-6)
    assert found.sd == pytest.approx([0.4464674307], rel=1e-4)
    assert found.resid_sd == pytest.approx(0.1989098384, rel=1e-6)
    assert found.loglik == pytest.approx(3.792762287, rel=1e-6)


def test_laser_gamma_process() -> None:
    # Reference: R optim and scipy, on the same data; not a printed value.
    increase, kilohours, unit = _laser()
    found = fit_exact(kilohours, increase, unit)
    assert found.converged
    assert found.estimates["shape_per_age"] == pytest.approx(28.78357812, rel=1e-6)
    assert found.estimates["inverse_scale"] == pytest.approx(14.12409092, rel=1e-6)
    assert found.loglik == pytest.approx(69.63517941, rel=1e-6)


@pytest.mark.parametrize("quadrature", [False, True])
def test_laser_lawless_crowder(quadrature: bool) -> None:
    # The model of J. Lawless, M. Crowder, Lifetime Data Analysis 10 (2004) 213. Reference: R
    # optim and scipy; not a printed value. The optimum is flat: optim stops 2e-6 from it.
    increase, kilohours, unit = _laser()
    found = fit_exact(kilohours, increase, unit, model="random-scale", quadrature=quadrature)
    assert found.converged
    assert found.loglik == pytest.approx(93.730011, rel=1e-6)
    for name, value in {"eta": 39.0586611, "delta": 28.93568684, "gamma": 1.45578134}.items():
        assert found.estimates[name] == pytest.approx(value, rel=1e-4)
