"""Sets of causes drawn from their exact posterior: the sums of `recursion` walked forward.

Each decision is drawn given all that was drawn before and, through the backward sums, all the
evidence still to come, so that every draw counts the same. (Lattices and stratified numbers for
the decisions were tried: no better, the lattice worse.)
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pitwise.causes.network import Floats
from pitwise.causes.order import Step
from pitwise.causes.recursion import Sums, unclose

DRAWS = 1024

Bools = npt.NDArray[np.bool_]


@dataclass(eq=False)
class _Ahead:
    """Backward sums around one cause: after each opening, and after each of its links."""

    opened: list[Floats]
    linked: list[Floats]


def draw_sets(sums: Sums, wanted: list[int], seed: int | list[int], count: int = DRAWS) -> Bools:
    """Return draws of which causes are at work, given the evidence.

    Parameters
    ----------
    sums : Sums
        Forward pass of one problem (B = 1) whose evidence is possible.
    wanted : list of int
        The causes to be drawn although no fact to be explained touches them. Others of that
        kind come back as not at work.
    seed : int or list of int
        Seed: the same seed gives the same draws.
    count : int
        How many.

    Returns
    -------
    (count, n) array of bool
    """
    n = sums.compiled.weight_on.shape[1]
    uniform = _uniforms(sums, wanted, seed, count)
    at_work = np.zeros((n, count), dtype=bool)
    unexplained: dict[int, Bools] = {}
    state = np.zeros(count, dtype=np.intp)
    for step, ahead in zip(sums.plan.steps, reversed(list(_ahead(sums))), strict=True):
        state = _walk(sums, step, ahead, state, at_work, unexplained, uniform)
    placed = {s.cause for s in sums.plan.steps}
    placed |= {m.cause for m in sums.plan.merges if not m.fact_last}
    touched = {m.cause for m in sums.plan.merges} - placed
    for i in sorted(touched.union(wanted) - placed - {-1}):
        at_work[i] = next(uniform) * (sums.on[i] + sums.off[i]) < sums.on[i]
    for merge, (a, b, u, e) in zip(reversed(sums.plan.merges), reversed(sums.tape), strict=True):
        i, j = merge.cause, merge.fact
        draw = next(uniform)
        if i < 0:
            left = sums.close_u[j] * u
            unexplained[j] = draw * (left + sums.close_e[j] * e) < left
            continue
        q = sums.q[j][i]
        r = 1.0 - q
        if merge.fact_last:
            cu, ce = sums.close_u[j], sums.close_e[j]
            left = np.where(at_work[i], u * (cu * r + ce * q), u * cu)
            unexplained[j] = draw * (left + ce * e) < left
        else:
            still = unexplained[j]
            # Unexplained still: the cause is away or missed. Explained: by others, or by it alone.
            at_work[i] = np.where(
                still, draw * (b + a * r) < a * r, draw * (e * (a + b) + u * a * q) >= e * b
            )
            unexplained[j] = still | (draw * (e * (a + b) + u * a * q) >= e * (a + b))
    return at_work.T


def _uniforms(sums: Sums, wanted: list[int], seed: int | list[int], count: int) -> Iterator[Floats]:
    need = len(sums.plan.merges) + len(wanted) + len(sums.q)
    need += sum(1 + len(s.opens) + len(s.links) for s in sums.plan.steps)
    rng = np.random.default_rng(seed)
    return iter(rng.random((need, count)))


def _ahead(sums: Sums) -> Iterator[_Ahead]:
    """Yield the backward sums of the steps, last step first."""
    rest = np.ones(1)
    for step in reversed(sums.plan.steps):
        rest = unclose(sums, step, rest)
        linked = [rest]
        for position, j in reversed(step.links):
            halves = linked[-1].reshape((-1, 2, 1 << position))
            new = halves.copy()
            new[:, 1] *= 1.0 - sums.q[j][step.cause]
            new[:, 1] += halves[:, 0] * sums.q[j][step.cause]
            linked.append(new.reshape(-1))
        linked.reverse()
        rest = rest * sums.off[step.cause] + linked[0] * sums.on[step.cause]
        opened = [rest]
        for j in reversed(step.opens):
            size = len(rest) // 2
            rest = rest[:size] * sums.hit[j] + rest[size:] * sums.miss[j]
            opened.append(rest)
        opened.reverse()
        # Scales cancel in every decision; only underflow has to be kept away.
        rest = rest / (rest.max() or 1.0)
        yield _Ahead(opened, linked)


def _walk(
    sums: Sums,
    step: Step,
    ahead: _Ahead,
    state: npt.NDArray[np.intp],
    at_work: Bools,
    unexplained: dict[int, Bools],
    uniform: Iterator[Floats],
) -> npt.NDArray[np.intp]:
    i = step.cause
    for j, after in zip(step.opens, ahead.opened[1:], strict=True):
        size = len(after) // 2
        left, done = sums.miss[j] * after[state + size], sums.hit[j] * after[state]
        unexplained[j] = next(uniform) * (left + done) < left
        state = state + size * unexplained[j]
    on = sums.on[i] * ahead.linked[0][state]
    off = sums.off[i] * ahead.linked[-1][state]
    at_work[i] = next(uniform) * (on + off) < on
    for (position, j), after in zip(step.links, ahead.linked[1:], strict=True):
        bit = 1 << position
        left = (1.0 - sums.q[j][i]) * after[state]
        done = sums.q[j][i] * after[state & ~bit]
        hit = next(uniform) * (left + done) >= left
        state = np.where(at_work[i] & hit, state & ~bit, state)
    for position, _ in step.closes:
        low = (1 << position) - 1
        state = (state >> (position + 1) << position) | (state & low)
    return state
