"""The sums over causes: subsets of facts still unexplained, forward and backward, no subtraction.

State: for each open fact, whether it is still unexplained (bit set). A cause at work explains
each of its unexplained facts with its own chance; a cause away leaves all as they are. Forward
sums hold the weight of all that led to a state, backward sums the weight of all that can follow;
their product at a cause gives its posterior. Only sums and products of numbers ≥ 0 occur, so
nothing cancels (inclusion–exclusion over seen facts does: compare Heckerman 1989, Quickscore).

B problems of one structure run side by side. A number is a float when it is the same for all B
(or B is 1) and a (B,) array otherwise; the same lines serve both. One narrow problem goes through
the order on plain floats (`small`), which is several times faster there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from pitwise.causes import small
from pitwise.causes.evidence import Compiled
from pitwise.causes.network import Floats
from pitwise.causes.order import Plan, Step, plan

# Up to this width one problem runs on plain floats.
NARROW = small.WIDEST

# A pair of slopes below this is scaled.
_FAINT = 1e-100

# A float or a (B,) array.
Number = Any


@dataclass(eq=False)
class Sums:
    """Everything the forward pass leaves for the backward pass and for draws.

    Attributes
    ----------
    on, off : list of Number
        Weights of each cause, facts merged into it included.
    miss, hit : list of Number
        For each fact the weight of being unexplained and explained when it is opened.
    tape : list of tuple
        What each merge found: (on, off, miss, hit) of before.
    before, states : list of arrays
        State sums before each opening and before each cause of the order (what `small` keeps
        when `narrow`).
    narrow : bool
        Whether the order runs on plain floats.
    log_z : (B,) array
        Natural logarithm of the evidence's probability; −∞ when it is impossible.
    """

    compiled: Compiled
    plan: Plan
    batch: int
    on: list[Number]
    off: list[Number]
    q: list[list[Number]]
    close_u: list[Number]
    close_e: list[Number]
    miss: list[Number]
    hit: list[Number]
    tape: list[tuple[Number, Number, Number, Number]] = field(default_factory=list)
    narrow: bool = False
    before: list[Any] = field(default_factory=list)
    states: list[Any] = field(default_factory=list)
    log_z: Floats = field(default_factory=lambda: np.zeros(1))

    @property
    def tail(self) -> tuple[int, ...]:
        """Return the batch axis of a state array: none for one problem."""
        return () if self.batch == 1 else (self.batch,)


def columns(array: Floats) -> list[Number]:
    """Return a list over the second axis: floats when the first axis is 1, else (B,) arrays."""
    if len(array) == 1:
        plain: list[Number] = array[0].tolist()
        return plain
    return list(np.ascontiguousarray(array.T))


def structure(compiled: Compiled) -> tuple[int, ...]:
    """Return for each fact the set of causes with any chance to explain it, as bits."""
    linked = compiled.q.any(axis=0) if len(compiled.q) > 1 else compiled.q[0] != 0
    packed = np.packbits(linked, axis=1, bitorder="little")
    return tuple(int.from_bytes(row.tobytes(), "little") for row in packed)


def batch_of(compiled: Compiled) -> int:
    """Return B."""
    return max(
        len(a)
        for a in (
            compiled.weight_on,
            compiled.q,
            compiled.leak,
            compiled.close_unexplained,
            compiled.log_constant,
        )
    )


def _scaled(value: Number) -> tuple[Number, Number]:
    """Return what to divide by, and its logarithm (−∞ for zero, divided by 1)."""
    if isinstance(value, float):
        return (value, math.log(value)) if value > 0 else (1.0, -math.inf)
    with np.errstate(divide="ignore"):
        log = np.log(value)
    return np.where(value > 0, value, 1.0), log


def _larger(a: Number, b: Number) -> Number:
    return max(a, b) if isinstance(a, float) and isinstance(b, float) else np.maximum(a, b)


def forward(compiled: Compiled, planned: Plan | None = None) -> Sums:
    """Run the merges and the order once.

    Parameters
    ----------
    compiled : Compiled
        The evidence.
    planned : Plan, optional
        The order; found when not given.
    """
    planned = plan(structure(compiled)) if planned is None else planned
    q: list[list[Number]]
    if compiled.q.shape[0] == 1:
        q = compiled.q[0].tolist()
    else:
        q = [list(row) for row in np.ascontiguousarray(np.moveaxis(compiled.q, 0, -1))]
    sums = Sums(
        compiled,
        planned,
        batch_of(compiled),
        columns(compiled.weight_on),
        columns(compiled.weight_off),
        q,
        columns(compiled.close_unexplained),
        columns(compiled.close_explained),
        columns(1.0 - compiled.leak),
        columns(compiled.leak),
    )
    sums.narrow = sums.batch == 1 and planned.width <= NARROW
    log_z = _merge(sums) + (small.order_forward(sums) if sums.narrow else _order(sums))
    touched = {m.cause for m in planned.merges if not m.fact_last}
    touched.update([s.cause for s in planned.steps])
    # Causes that were neither merged nor ordered are summed where they stand.
    for i in range(len(sums.on)):
        if i not in touched:
            _, log = _scaled(sums.on[i] + sums.off[i])
            log_z = log_z + log
    sums.log_z = np.broadcast_to(compiled.log_constant + log_z, (sums.batch,))
    return sums


def _merge(sums: Sums) -> Number:
    on, off, miss, hit = sums.on, sums.off, sums.miss, sums.hit
    log_z: Number = 0.0
    for merge in sums.plan.merges:
        i, j = merge.cause, merge.fact
        u, e = miss[j], hit[j]
        if not merge.fact_last:
            a, b, q = on[i], off[i], sums.q[j][i]
            r = 1.0 - q
            sums.tape.append((a, b, u, e))
            u, e = u * (b + a * r), e * (a + b) + u * (a * q)
            scale, log = _scaled(u + e)
            miss[j], hit[j] = u / scale, e / scale
        elif i < 0:
            sums.tape.append((0.0, 0.0, u, e))
            _, log = _scaled(sums.close_u[j] * u + sums.close_e[j] * e)
        else:
            a, b, q = on[i], off[i], sums.q[j][i]
            r = 1.0 - q
            sums.tape.append((a, b, u, e))
            cu, ce = sums.close_u[j], sums.close_e[j]
            a = a * (cu * (u * r) + ce * (e + u * q))
            b = b * (cu * u + ce * e)
            scale, log = _scaled(_larger(a, b))
            on[i], off[i] = a / scale, b / scale
        log_z = log_z + log
    return log_z


def _order(sums: Sums) -> Number:
    tail = sums.tail
    state = np.ones((1, *tail))
    log_z: Number = 0.0
    for step in sums.plan.steps:
        for j in step.opens:
            sums.before.append(state)
            size = len(state)
            wide = np.empty((2 * size, *tail))
            np.multiply(state, sums.hit[j], out=wide[:size])
            np.multiply(state, sums.miss[j], out=wide[size:])
            state = wide
        sums.states.append(state)
        at_work = state * sums.on[step.cause]
        _explain(sums, step, at_work)
        state = state * sums.off[step.cause]
        state += at_work
        if step.closes:
            for position, j in step.closes:
                halves = state.reshape((-1, 2, 1 << position, *tail))
                cu, ce = sums.close_u[j], sums.close_e[j]
                if isinstance(cu, float) and cu == 0.0 and ce == 1.0:
                    state = halves[:, 0]
                else:
                    state = halves[:, 0] * ce + halves[:, 1] * cu
            state = state.reshape((-1, *tail))
            scale, log = _scaled(state.sum(axis=0) if tail else float(state.sum()))
            state = state / scale
            log_z = log_z + log
    return log_z


def _explain(sums: Sums, step: Step, state: Floats) -> None:
    """Let a cause at work explain its facts, in place."""
    tail, i = sums.tail, step.cause
    for position, j in step.links:
        halves = state.reshape((-1, 2, 1 << position, *tail))
        left = halves[:, 1]
        halves[:, 0] += left * sums.q[j][i]
        left *= 1.0 - sums.q[j][i]


def _dot(a: Floats, b: Floats) -> Number:
    return float(a.dot(b)) if a.ndim == 1 else np.einsum("sb,sb->b", a, b)


@dataclass(eq=False)
class Slopes:
    """How the evidence's probability changes with each weight, up to a factor for each pair.

    Attributes
    ----------
    on, off : list of Number
        For each cause, of its two weights as the network gives them.
    """

    on: list[Number]
    off: list[Number]


def backward(sums: Sums) -> Slopes:
    """Return the slopes of all causes' weights, the order and the merges taken backward."""
    n = sums.compiled.weight_on.shape[1]
    on: list[Number] = [1.0] * n
    off: list[Number] = [1.0] * n
    miss: list[Number] = [0.0] * len(sums.miss)
    hit: list[Number] = [0.0] * len(sums.hit)
    if sums.narrow:
        small.order_backward(sums, on, off, miss, hit)
    else:
        _order_backward(sums, on, off, miss, hit)
    for merge, (a, b, u, e) in zip(reversed(sums.plan.merges), reversed(sums.tape), strict=True):
        i, j = merge.cause, merge.fact
        if not merge.fact_last:
            q = sums.q[j][i]
            r = 1.0 - q
            gu, ge = miss[j], hit[j]
            on[i], off[i] = _lifted(gu * (u * r) + ge * (e + u * q), gu * u + ge * e)
            miss[j], hit[j] = _lifted(gu * (b + a * r) + ge * (a * q), ge * (a + b))
        elif i < 0:
            miss[j], hit[j] = sums.close_u[j], sums.close_e[j]
        else:
            q = sums.q[j][i]
            r = 1.0 - q
            cu, ce = sums.close_u[j], sums.close_e[j]
            ga, gb = on[i] * a, off[i] * b
            miss[j], hit[j] = _lifted(gb * cu + ga * (cu * r + ce * q), (ga + gb) * ce)
            on[i], off[i] = _lifted(
                on[i] * (cu * (u * r) + ce * (e + u * q)), off[i] * (cu * u + ce * e)
            )
    return Slopes(on, off)


def _lifted(a: Number, b: Number) -> tuple[Number, Number]:
    """Return two slopes away from underflow: only their ratio counts."""
    top = a + b
    if isinstance(top, float):
        return (a / top, b / top) if 0.0 < top < _FAINT else (a, b)
    top = np.where((top > 0) & (top < _FAINT), top, 1.0)
    return a / top, b / top


def _order_backward(
    sums: Sums, on: list[Number], off: list[Number], miss: list[Number], hit: list[Number]
) -> None:
    tail = sums.tail
    rest = np.ones((1, *tail))
    opening = len(sums.before)
    for step, state in zip(reversed(sums.plan.steps), reversed(sums.states), strict=True):
        i = step.cause
        rest = unclose(sums, step, rest)
        working = rest.copy()
        unexplain(sums, step, working)
        on[i], off[i] = _dot(state, working), _dot(state, rest)
        rest = rest * sums.off[i]
        working *= sums.on[i]
        rest += working
        for j in reversed(step.opens):
            opening -= 1
            size = len(rest) // 2
            before = sums.before[opening]
            hit[j], miss[j] = _dot(before, rest[:size]), _dot(before, rest[size:])
            rest = rest[:size] * sums.hit[j] + rest[size:] * sums.miss[j]
        if step.opens:
            scale, _ = _scaled(rest.max(axis=0) if tail else float(rest.max()))
            rest = rest / scale


def unclose(sums: Sums, step: Step, rest: Floats) -> Floats:
    """Return backward sums after a cause from those after its facts are closed."""
    tail = sums.tail
    for position, j in reversed(step.closes):
        rest = rest.reshape((-1, 1 << position, *tail))
        wide = np.empty((len(rest), 2, 1 << position, *tail))
        np.multiply(rest, sums.close_e[j], out=wide[:, 0])
        np.multiply(rest, sums.close_u[j], out=wide[:, 1])
        rest = wide
    return rest.reshape((-1, *tail))


def unexplain(sums: Sums, step: Step, rest: Floats) -> None:
    """Turn backward sums after a cause at work into those before it, in place."""
    tail, i = sums.tail, step.cause
    for position, j in step.links:
        halves = rest.reshape((-1, 2, 1 << position, *tail))
        left = halves[:, 1]
        left *= 1.0 - sums.q[j][i]
        left += halves[:, 0] * sums.q[j][i]
