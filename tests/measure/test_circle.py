"""Circles against brute force, peers and their own symmetries."""

from __future__ import annotations

import math
from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares as peer_least_squares
from scipy.spatial import ConvexHull
from skimage.measure import CircleModel

from pitwise.measure.circle import (
    CircleError,
    circle_report,
    least_squares,
    maximum_inscribed,
    minimum_circumscribed,
    minimum_zone,
)
from pitwise.measure.circle_zone import hull_breadth, hull_of

Floats = npt.NDArray[np.float64]


def ring(rng: np.random.Generator, n: int, span: float, noise: float) -> Floats:
    t = rng.uniform(0, span, n)
    r = 1 + rng.normal(0, noise, n)
    return np.column_stack([r * np.cos(t), r * np.sin(t)])


def all_crossings(p: Floats) -> Floats:
    """Where every two lines of equal distance of two points meet, plainly."""
    lines = [
        (b - a, ((b - a) @ (a + b)) / 2) for a, b in combinations(p, 2) if not np.array_equal(a, b)
    ]
    normal = np.array([n for n, _ in lines])
    offset = np.array([b for _, b in lines])
    i, j = np.triu_indices(len(lines), 1)
    det = normal[i, 0] * normal[j, 1] - normal[i, 1] * normal[j, 0]
    fine = np.abs(det) > 1e-14
    i, j, det = i[fine], j[fine], det[fine]
    x = (offset[i] * normal[j, 1] - normal[i, 1] * offset[j]) / det
    y = (normal[i, 0] * offset[j] - offset[i] * normal[j, 0]) / det
    return np.column_stack([x, y])


def reach(c: Floats, p: Floats) -> Floats:
    out: Floats = np.hypot(c[:, :1] - p[:, 0], c[:, 1:] - p[:, 1])
    return out


def brute_zone(p: Floats) -> float:
    d = reach(all_crossings(p), p)
    return float((d.max(axis=1) - d.min(axis=1)).min())


def through(p: Floats) -> Floats:
    """Centres of the circles through each three points."""
    out = []
    for a, b, c in combinations(p, 3):
        m = 2 * np.array([b - a, c - a])
        if abs(np.linalg.det(m)) > 1e-14:
            out.append(np.linalg.solve(m, [b @ b - a @ a, c @ c - a @ a]))
    return np.array(out).reshape(-1, 2)


def brute_around(p: Floats) -> float:
    middles = np.array([(a + b) / 2 for a, b in combinations(p, 2)])
    return float(reach(np.vstack([middles, through(p)]), p).max(axis=1).min())


def brute_within(p: Floats) -> float | None:
    c = through(p)
    walls = ConvexHull(p).equations
    c = c[(c @ walls[:, :2].T + walls[:, 2]).max(axis=1) < -1e-10] if len(c) else c
    # Empty circles through three points: their three are the nearest.
    best = None
    for centre in c:
        d = np.sort(np.hypot(*(p - centre).T))
        if d[2] - d[0] < 1e-9 and (best is None or d[0] > best):
            best = float(d[0])
    return best


@pytest.mark.parametrize("start", range(24))
def test_against_brute_force(start: int) -> None:
    rng = np.random.default_rng(start)
    n = int(rng.integers(4, 11))
    p = rng.normal(size=(n, 2)) if start % 3 == 0 else ring(rng, n, rng.uniform(2, 6.3), 0.05)
    wanted = brute_zone(p)
    try:
        found = minimum_zone(p)
    except CircleError:
        # Two parallel lines hold them as closely.
        assert wanted > hull_breadth(hull_of(p)) * (1 - 1e-3)
    else:
        assert found.width == pytest.approx(wanted, abs=1e-10)
    assert minimum_circumscribed(p).r == pytest.approx(brute_around(p), rel=1e-12)
    within, best = maximum_inscribed(p), brute_within(p)
    assert within.held == (best is not None)
    if best is not None:
        assert within.r == pytest.approx(best, abs=1e-9)


@pytest.mark.parametrize("start", range(6))
def test_no_nearby_or_random_centre_does_better(start: int) -> None:
    rng = np.random.default_rng(100 + start)
    p = ring(rng, 300, 2 * math.pi, 0.02)
    found = minimum_zone(p)
    near = np.array([found.x, found.y]) + rng.normal(size=(4000, 2)) * rng.choice(
        [1e-6, 1e-4, 1e-2, 0.3], (4000, 1)
    )
    d = reach(near, p)
    assert (d.max(axis=1) - d.min(axis=1)).min() >= found.width - 1e-13
    assert reach(near, p).max(axis=1).min() >= minimum_circumscribed(p).r - 1e-13


@settings(max_examples=30, deadline=None)
@given(
    st.integers(0, 10_000),
    st.floats(-3, 3),
    st.floats(0, 6.3),
    st.tuples(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6)),
)
def test_moved_turned_and_scaled_points_move_turn_and_scale_the_circles(
    start: int, power: float, turn: float, move: tuple[float, float]
) -> None:
    rng = np.random.default_rng(start)
    p = ring(rng, 25, 2 * math.pi, 0.03)
    scale = 10.0**power
    c, s = math.cos(turn), math.sin(turn)
    q = scale * (p @ np.array([[c, s], [-s, c]])) + np.array(move)
    slack = 1e-10 * max(1.0, *(abs(m) for m in move)) + 1e-9 * scale
    for find in (least_squares, minimum_circumscribed, maximum_inscribed):
        one, two = find(p), find(q)
        assert two.r == pytest.approx(scale * one.r, abs=slack)
        moved = scale * (np.array([one.x, one.y]) @ np.array([[c, s], [-s, c]])) + np.array(move)
        assert [two.x, two.y] == pytest.approx(moved.tolist(), abs=100 * slack)
    assert minimum_zone(q).width == pytest.approx(scale * minimum_zone(p).width, abs=slack)


@pytest.mark.parametrize("span", [2.0, 6.28])
def test_least_squares_beside_peers(span: float) -> None:
    rng = np.random.default_rng(7)
    p = ring(rng, 200, span, 0.01)
    found = least_squares(p)
    peer = peer_least_squares(
        lambda q: np.hypot(p[:, 0] - q[0], p[:, 1] - q[1]) - q[2],
        [0.1, 0.1, 0.9],
        method="lm",
        xtol=1e-15,
        ftol=1e-15,
        gtol=1e-15,
    )
    assert [found.x, found.y, found.r] == pytest.approx(peer.x.tolist(), abs=1e-6)
    cost = float(((np.hypot(*(p - [found.x, found.y]).T) - found.r) ** 2).sum())
    assert cost <= 2 * peer.cost * (1 + 1e-12)
    jacobian = peer.jac.T @ peer.jac
    assert found.covariance == pytest.approx(
        np.linalg.inv(jacobian) * 2 * peer.cost / 197, rel=1e-3, abs=1e-9
    )
    # scikit-image's fit is algebraic: near, and no better.
    model: Any = CircleModel.from_estimate(p)  # type: ignore[no-untyped-call]
    assert found.r == pytest.approx(float(model.radius), rel=0.05)
    assert cost <= float((model.residuals(p) ** 2).sum()) * (1 + 1e-12)


def test_covariance_is_the_scatter_of_repeated_fits() -> None:
    rng = np.random.default_rng(11)
    t = np.linspace(0, 4, 80)
    fits, said = [], np.zeros((3, 3))
    for _ in range(400):
        r = 5 + rng.normal(0, 0.02, 80)
        f = least_squares(np.column_stack([r * np.cos(t), r * np.sin(t)]))
        fits.append([f.x, f.y, f.r])
        said += f.covariance / 400
    ratio = np.diag(np.cov(np.array(fits).T)) / np.diag(said)
    # 400 variances: standard error 7 %.
    assert ratio == pytest.approx(1.0, abs=0.28)


def test_points_far_from_the_origin_and_doubled() -> None:
    t = np.linspace(0, 2 * math.pi, 40, endpoint=False)
    r = 2 + 0.1 * np.cos(5 * t)
    p = np.column_stack([r * np.cos(t), r * np.sin(t)])
    far = p + np.array([1e6, -1e6])
    assert least_squares(far).r == pytest.approx(2, abs=1e-9)
    assert minimum_zone(far).width == pytest.approx(0.2, abs=1e-9)
    twice = np.vstack([p, p[:7], p[:1]])
    assert minimum_zone(twice).width == pytest.approx(0.2, abs=1e-13)
    assert minimum_circumscribed(twice).r == pytest.approx(2.1, abs=1e-13)
    assert maximum_inscribed(twice).r == pytest.approx(1.9, abs=1e-13)


def test_three_points() -> None:
    p = [[0.0, 0.0], [4.0, 0.0], [1.0, 2.0]]
    fit, zone = least_squares(p), minimum_zone(p)
    assert [fit.x, fit.y, fit.r] == pytest.approx([2.0, 0.25, math.sqrt(4.0625)], abs=1e-12)
    assert math.isnan(fit.residual_sd)
    assert np.isnan(fit.covariance).all()
    assert zone.width == pytest.approx(0, abs=1e-14)
    assert [zone.x, zone.y] == pytest.approx([2.0, 0.25], abs=1e-12)
    # A blunt triangle: no circle through three points has its centre within the hull.
    blunt = maximum_inscribed([[0, 0], [10, 0], [4, 1]])
    assert not blunt.held
    assert blunt.r > 0
    report = circle_report(p)
    assert report["least_squares"]["u_r"] is None
    assert report["roundness"]["noise_floor"] is None


@pytest.mark.parametrize("n", [100, 20_000])
def test_perfect_circles(n: int) -> None:
    t = np.linspace(0, 2 * math.pi, n, endpoint=False)
    p = np.column_stack([3 + 2 * np.cos(t), 2 * np.sin(t) - 1])
    assert minimum_zone(p).width < 1e-14
    for find in (least_squares, minimum_circumscribed, maximum_inscribed):
        c = find(p)
        assert [c.x, c.y, c.r] == pytest.approx([3, -1, 2], abs=1e-12)


def test_a_hundred_thousand_points() -> None:
    rng = np.random.default_rng(3)
    t = rng.uniform(0, 2 * math.pi, 100_000)
    r = 5 + 0.05 * np.cos(3 * t) + rng.normal(0, 0.01, len(t))
    p = np.column_stack([r * np.cos(t) + 3, r * np.sin(t)])
    zone = minimum_zone(p)
    d = np.hypot(*(p - [zone.x, zone.y]).T)
    assert d.max() - d.min() == pytest.approx(zone.width, abs=1e-12)
    assert 0.15 < zone.width < 0.2
    assert maximum_inscribed(p).r < least_squares(p).r < minimum_circumscribed(p).r


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ([[0, 0], [1, 1]], "three or more"),
        ([[0, 0], [1, 1], [2, 2], [5, 5]], "on one line"),
        ([[1, 1]] * 9, "one place"),
        ([[1, 1], [2, 1]] * 4, "one line|two places"),
        ([[1e6 + x, 3e6 + 2 * x] for x in (0.0, 0.1, 0.3, 0.7)], "on one line"),
        ([[0, 0], [1, math.nan], [2, 5]], "point 2.*finite"),
        ([[0, 0], [1, math.inf], [2, 5]], "point 2.*finite"),
        ([[0, 0, 0], [1, 1, 1], [2, 5, 4]], "two numbers"),
    ],
)
@pytest.mark.parametrize(
    "find", [least_squares, minimum_zone, minimum_circumscribed, maximum_inscribed]
)
def test_refusals(find: Any, points: list[list[float]], words: str) -> None:
    with pytest.raises(CircleError, match=words) as caught:
        find(points)
    assert caught.value.mend


def test_nearly_a_line() -> None:
    p = [[float(x), 1e-9 * (x % 2)] for x in range(9)]
    with pytest.raises(CircleError, match="line"):
        minimum_zone(p)
    assert minimum_circumscribed(p).r == pytest.approx(4)


def test_a_line_as_narrow_as_any_ring_is_said_in_the_report() -> None:
    x = np.linspace(-1, 1, 41)
    p = np.column_stack([x, 0.05 * np.sin(math.pi * x) + 3e-6 * x**2])
    with pytest.raises(CircleError, match="fit a line"):
        minimum_zone(p)
    report = circle_report(p)
    assert report["minimum_zone"] is None
    assert report["roundness"]["reference"] == "LS"
    assert any("minimum zone" in note for note in report["notes"])


def test_a_ring_far_off_is_found_where_it_is_narrower_than_any_two_lines() -> None:
    x = (0.0, 0.3, 0.35, 0.37, 0.43, 0.59, 0.61, 0.71, 0.85)
    y = (0.19, -1.01, -0.49, 1.9, -1.56, 0.7, -1.43, 0.1, -1.86)
    found = minimum_zone(np.column_stack([x, np.array(y) * 1e-3]))
    assert 100 < found.outer_r < 1e5


def test_exact_arcs_end_in_time() -> None:
    t = np.linspace(0, 1, 5000)
    within = maximum_inscribed(np.column_stack([np.cos(t), np.sin(t)]))
    assert not within.held
    assert within.r == pytest.approx(0.12242, abs=1e-4)
