"""Plain ways to the same numbers: exact fractions and full enumeration."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from fractions import Fraction

import numpy as np

from pitwise.causes.evidence import Evidence
from pitwise.causes.network import Network

ONE = Fraction(1)


def random_network(
    rng: np.random.Generator, n: int, m: int, per_cause: float, leak: float = 0.05
) -> Network:
    """Return a network with about so many links a cause."""
    links = rng.random((n, m)) < per_cause / m
    return Network.of(
        rng.uniform(0.01, 0.3, n),
        rng.uniform(0.0, leak, m),
        np.where(links, rng.uniform(0.05, 0.98, (n, m)), 0.0),
    )


def by_fractions(network: Network, evidence: Evidence) -> tuple[Fraction, list[Fraction]]:
    """Return P(evidence) and the posteriors, exact, by inclusion–exclusion over seen findings.

    Only seen and absent findings, no groups. Fractions do not cancel.
    """
    prior = [Fraction(x) for x in network.prior.tolist()]
    miss = [[ONE - Fraction(x) for x in row] for row in network.link.tolist()]
    out = [ONE - Fraction(x) for x in network.leak.tolist()]
    seen, absent = sorted(evidence.seen), sorted(evidence.absent)
    n = len(prior)
    total, on = Fraction(0), [Fraction(0)] * n
    for size in range(len(seen) + 1):
        for some in itertools.combinations(seen, size):
            names = [*absent, *some]
            term = math.prod((out[j] for j in names), start=ONE) * (-1) ** size
            works = [prior[i] * math.prod((miss[i][j] for j in names), start=ONE) for i in range(n)]
            sums = [w + ONE - p for w, p in zip(works, prior, strict=True)]
            if 0 in sums:
                for i in range(n):
                    others = math.prod(sums[:i], start=ONE) * math.prod(sums[i + 1 :], start=ONE)
                    on[i] += term * works[i] * others
                continue
            term *= math.prod(sums, start=ONE)
            total += term
            for i in range(n):
                on[i] += term * works[i] / sums[i]
    return total, [x / total if total else x for x in on]


def by_enumeration(network: Network, evidence: Evidence) -> dict[frozenset[int], float]:
    """Return the joint weight P(set of causes, evidence) of every set; no groups."""
    n = len(network.prior)
    out = {}
    for on in itertools.product((0, 1), repeat=n):
        x = np.array(on, dtype=bool)
        weight = np.prod(np.where(x, network.prior, 1 - network.prior))
        miss = (1 - network.leak) * np.prod(1 - network.link[x], axis=0)
        for j in evidence.seen:
            weight *= 1 - miss[j]
        for j in evidence.absent:
            weight *= miss[j]
        for s in evidence.soft:
            weight *= s.if_absent * miss[s.finding] + s.if_present * (1 - miss[s.finding])
        for g in evidence.grades:
            cum = np.asarray(g.cum_leak) * np.prod(np.asarray(g.cum)[x], axis=0)
            weight *= cum[g.grade] - (cum[g.grade - 1] if g.grade else 0.0)
        out[frozenset(np.flatnonzero(x).tolist())] = float(weight)
    return out


def marginals(joint: dict[frozenset[int], float], n: int) -> np.ndarray:
    """Return the posterior of each cause from all sets' weights."""
    total = math.fsum(joint.values())
    return np.array([math.fsum(w for s, w in joint.items() if i in s) / total for i in range(n)])


def pick(rng: np.random.Generator, m: int, seen: int, absent: int) -> Evidence:
    """Return random evidence."""
    order: Sequence[int] = rng.permutation(m).tolist()
    return Evidence(frozenset(order[:seen]), frozenset(order[seen : seen + absent]))
