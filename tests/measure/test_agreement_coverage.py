"""Simulated coverage of kappa's 95 % interval, with its standard error."""

from __future__ import annotations

import numpy as np
import pytest

from pitwise.measure.agreement import fleiss_kappa

DRAWS = 200


@pytest.mark.parametrize(
    ("specimens", "people", "shares", "right", "least"),
    [
        (30, 3, (0.5, 0.5), 0.9, 0.93),
        (30, 6, (0.2, 0.8), 0.9, 0.93),
        (30, 3, (0.4, 0.3, 0.2, 0.1), 0.7, 0.93),
        (30, 6, (0.4, 0.3, 0.2, 0.1), 0.98, 0.93),
        (10, 3, (0.5, 0.5), 0.7, 0.92),
        # A kind that one specimen in ten or twenty shows.
        (10, 3, (0.1, 0.9), 0.95, 0.95),
        (10, 6, (0.05, 0.95), 0.97, 0.95),
        (30, 2, (0.05, 0.95), 0.97, 0.90),
    ],
)
def test_the_interval_covers(
    specimens: int, people: int, shares: tuple[float, ...], right: float, least: float
) -> None:
    """Each specimen has a true category, which each person names with probability `right`.

    200 draws: one standard error 1.5 % at 95 %.
    """
    k = len(shares)
    says = np.full((k, k), (1 - right) / (k - 1))
    np.fill_diagonal(says, right)
    chance = np.array(shares) @ says
    expected = float(chance @ chance)
    true = (float(np.array(shares) @ (says**2).sum(axis=1)) - expected) / (1 - expected)
    rng = np.random.default_rng(specimens * people * k)
    inside = told = 0
    while told < DRAWS:
        kind = rng.choice(k, specimens, p=shares)
        counts = np.array([rng.multinomial(people, says[i]) for i in kind])
        if (counts.sum(axis=0) > 0).sum() < 2:
            continue
        told += 1
        found = fleiss_kappa(counts)
        inside += found.low <= true <= found.high
    assert inside / DRAWS > least - 0.03
