"""The linear special case: invariances, edges, and an outside oracle."""

from __future__ import annotations

import dataclasses
import warnings
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import check_grad
from scipy.stats import multivariate_normal
from statsmodels.regression.mixed_linear_model import MixedLM

from pitwise.wear.groups import group_codes
from pitwise.wear.linear import LinearFit, fit_linear
from pitwise.wear.linear_deviance import group_sums, profile
from pitwise.wear.refusal import (
    BadShapeError,
    FitRefusedError,
    NoNoiseError,
    NotFiniteError,
    RankDeficientError,
    TooFewError,
)

Floats = npt.NDArray[np.float64]
Readings = tuple[Floats, Floats, Floats, npt.NDArray[np.int64]]


def made(
    seed: int, groups: int = 30, p: int = 2, q: int = 2, spread: float = 1.0, noise: float = 0.5
) -> Readings:
    """Readings of groups of 1 to 7, with p fixed and q random columns, rows shuffled."""
    rng = np.random.default_rng(seed)
    sizes = rng.integers(1, 8, groups)
    sizes[:3] = 7
    group = rng.permutation(np.repeat(np.arange(groups), sizes))
    n = group.size
    age = rng.uniform(0, 4, n)
    x = np.column_stack([np.ones(n), age, *(rng.normal(size=n) for _ in range(p - 2))])[:, :p]
    z = np.column_stack([np.ones(n), age, age**2 / 4])[:, :q]
    root = np.tril(rng.normal(size=(q, q)) * 0.3) + np.eye(q)
    b = spread * rng.normal(size=(groups, q)) @ root.T
    y = x @ rng.normal(size=p) + (z * b[group]).sum(axis=1) + noise * rng.normal(size=n)
    return y, x, z, group


def dense(readings: Readings, found: LinearFit) -> tuple[float, Floats]:
    """Log-likelihood and X'V⁻¹X by definition, one full covariance matrix per group."""
    y, x, z, group = readings
    z = z[:, None] if z.ndim == 1 else z
    total = 0.0
    information = np.zeros((x.shape[1],) * 2)
    for label in np.unique(group):
        rows = group == label
        cov = z[rows] @ found.cov_random @ z[rows].T + found.resid_sd**2 * np.eye(rows.sum())
        total += float(multivariate_normal.logpdf(y[rows], x[rows] @ found.beta, cov))
        information += x[rows].T @ np.linalg.solve(cov, x[rows])
    if found.reml:
        total -= 0.5 * float(np.linalg.slogdet(information)[1])
        total += 0.5 * x.shape[1] * np.log(2 * np.pi)
    return total, information


@pytest.mark.parametrize("reml", [False, True])
@pytest.mark.parametrize(("p", "q"), [(1, 1), (2, 1), (2, 2), (4, 2), (3, 3), (6, 3)])
def test_loglik_is_that_of_the_definition(p: int, q: int, reml: bool) -> None:
    readings = made(p * 10 + q, p=p, q=q)
    found = fit_linear(*readings, reml=reml)
    assert found.converged
    loglik, information = dense(readings, found)
    assert found.loglik == pytest.approx(loglik, rel=1e-10)
    assert found.beta_se == pytest.approx(np.sqrt(np.diag(np.linalg.inv(information))), rel=1e-8)
    assert found.deviance == pytest.approx(-2 * found.loglik)


@pytest.mark.parametrize("reml", [False, True])
@pytest.mark.parametrize("q", [1, 2, 3])
def test_gradient_against_differences(q: int, reml: bool) -> None:
    y, x, z, group = made(q, p=3, q=q)
    inverse, labels = group_codes(group, y.size)
    counts = np.bincount(inverse)
    sums = group_sums(y, x.T.copy(), z.T.copy(), inverse, counts)
    assert labels.size == counts.size
    rng = np.random.default_rng(q)
    for _ in range(5):
        theta = rng.normal(size=q * (q + 1) // 2)
        off = check_grad(
            lambda t: profile(sums, t, reml=reml).deviance,
            lambda t: profile(sums, t, reml=reml).gradient,
            theta,
        )
        assert off < 2e-5 * (1 + np.linalg.norm(profile(sums, theta, reml=reml).gradient))


@pytest.mark.parametrize("reml", [False, True])
@pytest.mark.parametrize("q", [1, 2])
@pytest.mark.parametrize("seed", range(4))
def test_against_statsmodels(seed: int, q: int, reml: bool) -> None:
    y, x, z, group = made(seed, groups=40, q=q)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # statsmodels' remarks on its own search
        theirs: Any = MixedLM(y, x, group, z).fit(reml=reml, method="bfgs")
    ours = fit_linear(y, x, z, group, reml=reml)
    assert ours.loglik == pytest.approx(theirs.llf, abs=1e-6)
    assert ours.loglik > theirs.llf - 1e-8
    assert ours.beta == pytest.approx(theirs.fe_params, rel=1e-3, abs=1e-3)
    # Theirs are from a Hessian that lets the variances move too.
    assert ours.beta_se == pytest.approx(theirs.bse_fe, rel=5e-2)
    assert ours.cov_random == pytest.approx(np.asarray(theirs.cov_re), rel=1e-2, abs=1e-2)
    assert ours.resid_sd**2 == pytest.approx(theirs.scale, rel=1e-3)
    for label, row in zip(ours.groups, ours.blups, strict=True):
        assert row == pytest.approx(np.asarray(theirs.random_effects[label]), rel=2e-2, abs=2e-2)


@settings(max_examples=25)
@given(
    seed=st.integers(0, 10_000),
    factor=st.floats(1e-6, 1e6),
    reml=st.booleans(),
    q=st.integers(1, 3),
)
def test_rescaled_readings_rescale_the_fit(seed: int, factor: float, reml: bool, q: int) -> None:
    y, x, z, group = made(seed, q=q)
    plain = fit_linear(y, x, z, group, reml=reml)
    scaled = fit_linear(y * factor, x, z, group, reml=reml)
    freedom = y.size - (x.shape[1] if reml else 0)
    assert scaled.deviance == pytest.approx(
        plain.deviance + 2 * freedom * np.log(factor), rel=1e-9, abs=1e-7
    )
    assert scaled.beta / factor == pytest.approx(plain.beta, rel=1e-5, abs=1e-6)
    assert scaled.resid_sd / factor == pytest.approx(plain.resid_sd, rel=1e-5)


@settings(max_examples=25)
@given(seed=st.integers(0, 10_000), reml=st.booleans())
def test_order_and_names_of_groups_do_not_matter(seed: int, reml: bool) -> None:
    y, x, z, group = made(seed)
    plain = fit_linear(y, x, z, group, reml=reml)
    rng = np.random.default_rng(seed)
    order = rng.permutation(y.size)
    names = rng.permutation(plain.groups.size)
    words = [f"electrode {names[g]:03d}" for g in group[order]]
    other = fit_linear(y[order], x[order], z[order], words, reml=reml)
    assert other.deviance == pytest.approx(plain.deviance, rel=1e-11)
    assert other.cov_random == pytest.approx(plain.cov_random, rel=1e-5, abs=1e-5)
    assert list(other.groups) == sorted(set(words))
    moved = {f"electrode {names[g]:03d}": row for g, row in enumerate(plain.blups)}
    for label, row in zip(other.groups, other.blups, strict=True):
        assert row == pytest.approx(moved[label], rel=1e-5, abs=1e-5)


def test_a_line_added_to_the_readings_moves_beta_alone() -> None:
    y, x, z, group = made(5)
    plain = fit_linear(y, x, z, group)
    moved = fit_linear(y + x @ [1e6, -3e5], x, z, group)
    assert moved.beta - plain.beta == pytest.approx([1e6, -3e5], rel=1e-11)
    assert moved.deviance == pytest.approx(plain.deviance, rel=1e-8)


def test_far_off_origin_of_the_age() -> None:
    y, x, z, group = made(6)
    plain = fit_linear(y, x, z, group)
    far = np.column_stack([np.ones(y.size), x[:, 1] + 46_000.0])  # a date as a day number
    moved = fit_linear(y, far, far, group)
    assert moved.deviance == pytest.approx(plain.deviance, rel=1e-7)
    assert moved.beta[1] == pytest.approx(plain.beta[1], rel=1e-5)


def test_sorted_and_whole_number_labels_take_other_ways_to_the_same_sums() -> None:
    y, x, z, group = made(7)
    order = np.argsort(group, kind="stable")
    plain = fit_linear(y, x, z, group)
    for labels in (group[order], group[order] * 1_000_003, group[order].astype(float)):
        other = fit_linear(y[order], x[order], z[order], labels)
        assert other.deviance == pytest.approx(plain.deviance, rel=1e-12)
        assert other.groups == pytest.approx(np.unique(labels))


@pytest.mark.parametrize("reml", [False, True])
@pytest.mark.parametrize("q", [1, 2, 3])
def test_no_spread_between_groups_is_a_singular_fit(q: int, reml: bool) -> None:
    # Each group repeats the same residuals, so that nothing is left between them.
    rng = np.random.default_rng(q)
    age = np.tile(np.arange(6.0), 12)
    x = np.column_stack([np.ones_like(age), age, age**2])[:, : max(q, 2)]
    z = x[:, :q]
    y = 1 + 2 * age + np.tile(rng.normal(size=6), 12)
    group = np.repeat(np.arange(12), 6)
    found = fit_linear(y, x, z, group, reml=reml)
    assert found.converged
    assert found.singular
    assert found.sd == pytest.approx(np.zeros(q), abs=1e-4)
    residual = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    assert found.resid_sd**2 == pytest.approx(
        residual @ residual / (y.size - (x.shape[1] if reml else 0)), rel=1e-6
    )


def test_partly_singular_fit_beats_its_neighbours() -> None:
    # Groups differ in slope alone; the intercept's spread is at its edge in some draws.
    edges = 0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        group = np.repeat(np.arange(15), 4)
        age = np.tile(np.arange(1.0, 5.0), 15)
        x = np.column_stack([np.ones_like(age), age])
        y = age * (1 + rng.normal(size=15)[group]) + rng.normal(size=60)
        found = fit_linear(y, x, x, group)
        assert found.converged
        edges += found.singular
        slope = fit_linear(y, x, age, group)
        assert found.loglik >= slope.loglik - 1e-9
        assert found.loglik == pytest.approx(dense((y, x, x, group), found)[0], rel=1e-9)
        for _ in range(20):
            nudge = np.linalg.cholesky(found.cov_random + 1e-12 * np.eye(2))
            nudge = nudge + 0.02 * np.tril(rng.normal(size=(2, 2)))
            near = dataclasses.replace(found, cov_random=nudge @ nudge.T)
            assert dense((y, x, x, group), near)[0] <= found.loglik + 1e-9
    assert edges >= 2


@pytest.mark.parametrize("noise", [1e-3, 1e-5, 1e-7])
def test_small_noise_beside_the_spread(noise: float) -> None:
    readings = made(9, groups=60, noise=noise)
    found = fit_linear(*readings)
    assert found.converged
    assert found.resid_sd == pytest.approx(noise, rel=0.2)
    # Where the spread is all that counts, each group's own line gives its coefficients.
    y, _, z, group = readings
    rows = group == 0
    own = np.linalg.lstsq(z[rows], y[rows], rcond=None)[0]
    assert found.beta + found.blups[0] == pytest.approx(own, rel=1e-2 * noise, abs=noise * 1e-2)


OK = made(3)


@pytest.mark.parametrize(
    ("change", "error", "words"),
    [
        ({"y": OK[0][:-1]}, BadShapeError, "one row for each reading"),
        ({"y": OK[0][:, None]}, BadShapeError, "one row of numbers"),
        ({"random": np.ones((OK[0].size, 4))}, BadShapeError, "1 to 3 random"),
        ({"fixed": np.ones((OK[0].size, 0))}, BadShapeError, "1 or more fixed"),
        ({"group": OK[3][:-1]}, BadShapeError, "give each its label"),
        ({"y": np.where(np.arange(OK[0].size) == 4, np.nan, OK[0])}, NotFiniteError, "row 4 of y"),
        ({"y": np.append(OK[0][:-2], [np.inf, -np.inf])}, NotFiniteError, "of y"),
        ({"y": OK[0] * 1e200}, NotFiniteError, "below 1e+100"),
        ({"fixed": np.full(OK[0].size, np.inf)}, NotFiniteError, "row 0 of fixed"),
        ({"group": np.full(OK[0].size, np.nan)}, NotFiniteError, "group label"),
        (
            {"group": [None, "a"] * (OK[0].size // 2) + ["b"] * (OK[0].size % 2)},
            BadShapeError,
            "kinds",
        ),
        ({"group": np.zeros(OK[0].size, int)}, TooFewError, "two groups"),
        ({"group": np.arange(OK[0].size)}, TooFewError, "no group has more than 2 readings"),
        ({"fixed": np.column_stack([OK[1], OK[1][:, 1]])}, RankDeficientError, "fixed"),
        ({"random": np.zeros(OK[0].size)}, RankDeficientError, "all zero"),
        ({"random": np.ones((OK[0].size, 2))}, RankDeficientError, "combination"),
        ({"y": OK[1] @ [1.0, 2.0]}, NoNoiseError, "one straight line"),
        ({"y": np.zeros(OK[0].size)}, NoNoiseError, "one straight line"),
        ({"y": OK[1][:, 1] * (1 + OK[3] % 5)}, NoNoiseError, "line of its own"),
    ],
)
def test_refusals(change: dict[str, Any], error: type[FitRefusedError], words: str) -> None:
    given_ = {"y": OK[0], "fixed": OK[1], "random": OK[2], "group": OK[3], **change}
    with pytest.raises(error) as refused:
        fit_linear(**given_)
    assert words in str(refused.value)
    assert refused.value.reason
    assert refused.value.mend
    assert isinstance(refused.value, ValueError)


def test_too_few_readings_for_the_columns() -> None:
    y, x, z, group = made(2, p=6)
    with pytest.raises(TooFewError, match="6 fixed"):
        fit_linear(y[:7], x[:7], z[:7], group[:7])


@settings(max_examples=60)
@given(
    seed=st.integers(0, 10_000),
    p=st.integers(1, 4),
    q=st.integers(1, 3),
    spread=st.floats(-3, 3),
    noise=st.floats(-3, 1),
    reml=st.booleans(),
)
def test_converges_over_six_decades_of_spread_and_noise(
    seed: int, p: int, q: int, spread: float, noise: float, reml: bool
) -> None:
    readings = made(seed, groups=20, p=p, q=q, spread=10**spread, noise=10**noise)
    found = fit_linear(*readings, reml=reml)
    assert found.converged
    assert found.resid_sd == pytest.approx(10**noise, rel=0.6)
    assert np.linalg.eigvalsh(found.cov_random)[0] >= -1e-9 * found.sd.max() ** 2


def test_one_wild_reading_and_a_unit_slip_still_give_a_fit() -> None:
    y, x, z, group = made(11, groups=40)
    for wild in (1e6, 25.4):
        slipped = y.copy()
        slipped[5] *= wild
        found = fit_linear(slipped, x, z, group)
        assert found.converged
        assert np.isfinite([found.loglik, *found.beta, *found.sd]).all()


def test_an_electrode_with_many_readings_spans_blocks() -> None:
    y, x, z, group = made(12, groups=9000)
    long = np.where(group < 4000, 0, group)  # one group of some 16,000 readings among others
    readings = (y, x, z, long)
    found = fit_linear(*readings)
    assert found.converged
    assert found.groups.size == 5001
    order = np.argsort(long, kind="stable")
    other = fit_linear(y[order], x[order], z[order], long[order].astype(str))
    assert other.deviance == pytest.approx(found.deviance, rel=1e-12)


def test_more_groups_than_sixteen_bits() -> None:
    rng = np.random.default_rng(13)
    group = rng.permutation(np.repeat(np.arange(70_000), 2))
    y = rng.normal(size=70_000)[group] + rng.normal(size=group.size)
    ones = np.ones(group.size)
    found = fit_linear(y, ones, ones, group)
    # Two readings to each: the closed form of the balanced one-way layout.
    means = np.bincount(group, weights=y) / 2
    within = ((y - means[group]) ** 2).sum() / 70_000
    between = 2 * ((means - y.mean()) ** 2).mean()
    assert found.resid_sd**2 == pytest.approx(within, rel=1e-9)
    assert found.sd[0] ** 2 == pytest.approx((between - within) / 2, rel=1e-8)


def test_no_readings() -> None:
    with pytest.raises(FitRefusedError):
        fit_linear([], [], [], [])
