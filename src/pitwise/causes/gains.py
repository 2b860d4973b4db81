"""What every open check would tell: its mutual information with the causes, in bits.

I(causes; facts the check reveals | evidence) is the drop in the causes' entropy that the check is
expected to bring. Given the causes the facts are independent, so it equals the entropy of the
facts together less the mean of their entropies given the causes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import entr

from pitwise.causes.evidence import Compiled, Evidence, compile_evidence
from pitwise.causes.network import Floats, Network, NetworkError
from pitwise.causes.recursion import forward
from pitwise.causes.sampling import summed

# A check whose causes can be set in every way within this many problems is weighed exactly.
_EXACT_CAUSES = 6
_EXACT_TABLE = 4096
_EXACT_BUDGET = 512
# Problems × state updates of one.
_EXACT_COST = 500_000
# Up to so many facts all outcomes of a check are gone through, else some are drawn.
_ALL_OUTCOMES = 12
_OUTCOME_DRAWS = 256
# A product of matrices, and of a matrix and a vector, of no more multiplications than this runs
# on one thread.
_ONE_THREAD = 200_000
_ONE_THREAD_VECTOR = 9_000
_RAKES = 2
# A probability of 0, and as a logarithm that can still be multiplied by 0.
_LEAST = np.float32(1e-37)
_NEVER = -700.0
_BITS = 1.0 / math.log(2.0)


Bools = npt.NDArray[np.bool_]
Singles = npt.NDArray[np.float32]
Real = npt.NDArray[np.floating[Any]]


@dataclass(frozen=True, eq=False)
class _Facts:
    """The open facts: logarithms of what each cause, and all else, leaves of their absence."""

    log_miss: Floats
    log_quiet: Floats


@dataclass(frozen=True, eq=False)
class _Check:
    """A check's open facts, and the causes that tell on them."""

    facts: npt.NDArray[np.intp]
    causes: npt.NDArray[np.intp]


def gains(
    network: Network, evidence: Evidence, reveals: Sequence[Sequence[int]], seed: int
) -> Floats:
    """Return the expected information of each check about the causes.

    Parameters
    ----------
    network : Network
        The network.
    evidence : Evidence
        What was found so far. A finding that is settled (`Evidence.settled`) reveals nothing
        more; open findings of one group are one fact.
    reveals : sequence of sequences of int
        For each check the findings it shows.
    seed : int
        Seed of the draws: the same seed gives the same gains.

    Returns
    -------
    (len(reveals),) array
        Mutual information in bits, ≥ 0; 0 for a check that shows nothing new or nothing linked.

    Notes
    -----
    Exact (to rounding) for checks with few facts and few causes, as far as a budget of problems
    goes. For others, such as 21 facts at once, an estimate from 1,024 draws of the causes,
    weighted so that every cause has its exact posterior. Up to 12 facts all their outcomes are
    gone through, from there 256 are drawn. Held against full enumeration on 40 random networks of
    12 causes and 16 findings, 7 looked at, nothing exact: root mean square error 0.006 bits at
    one fact (mean gain 0.29), 0.010 at three (0.79), 0.011 at six (1.5), 0.013 at nine (2.1); the
    worst of all 0.04 bits. On 30 causes and 80 findings, 23 looked at, the standard deviation
    from seed to seed is 0.015 bits at 12 facts (mean gain 2.9), 0.05 at 21 (4.5), 0.07 at 29
    (5.6); the most that two of four seeds differed in 12 worlds 0.08, 0.21 and 0.27 bits.

    A problem too wide for one order is drawn from as `posteriors` sums it, by its cutset.

    Raises
    ------
    NetworkError
        As `posteriors`, or if a check reveals an unknown finding.
    """
    compiled = compile_evidence(network, evidence)
    facts, checks = _open(network, evidence, reveals)
    out = np.zeros(len(checks))
    ready = summed(network, compiled)
    coupled = compiled.q[0].any(axis=0)
    # A cause known for certain tells nothing and is told nothing.
    sure = (ready.p <= 0) | (ready.p >= 1)
    budget = min(
        _EXACT_BUDGET, _EXACT_COST // max(ready.found.plan.cost << len(ready.found.causes), 1)
    )
    exact = _exact_ones(checks, coupled & ~sure, budget)
    if exact:
        joints = _joints(compiled, [checks[k].causes for k in exact], coupled, ready.p)
        for k, (sets, weight) in zip(exact, joints, strict=True):
            log_miss = facts.log_miss[np.ix_(checks[k].facts, checks[k].causes)]
            quiet = facts.log_quiet[checks[k].facts]
            absent = np.exp(sets @ log_miss.T + quiet)
            out[k] = _all_outcomes(absent, weight, weight @ _entropy(absent))
    drawn = [k for k, c in enumerate(checks) if len(c.causes) and k not in exact]
    if drawn:
        needed = np.unique(np.concatenate([checks[k].causes for k in drawn]))
        told = np.unique(np.concatenate([checks[k].facts for k in drawn]))
        sets = ready.draw(needed[~coupled[needed]].tolist(), seed)[:, needed]
        weight = _raked(sets, ready.p[needed])
        # Single precision from here: its rounding is far below the noise of the draws.
        log_absent = _product(
            sets.astype(np.float32), facts.log_miss[np.ix_(told, needed)].T.astype(np.float32)
        )
        log_absent += facts.log_quiet[told].astype(np.float32)
        light = weight.astype(np.float32)
        absent = np.exp(log_absent)
        log_present = np.log(np.maximum(1 - absent, _LEAST))
        entropy = -np.einsum("s,sf,sf->f", light, absent, log_absent, dtype=np.float64)
        entropy -= np.einsum("s,sf,sf->f", light, 1 - absent, log_present, dtype=np.float64)
        for k in drawn:
            own = np.searchsorted(told, checks[k].facts)
            if len(own) <= _ALL_OUTCOMES:
                out[k] = _all_outcomes(absent[:, own], light, entropy[own])
            else:
                out[k] = _some_outcomes(log_absent[:, own], log_present[:, own], light, seed)
    return np.maximum(out, 0.0)


def _open(
    network: Network, evidence: Evidence, reveals: Sequence[Sequence[int]]
) -> tuple[_Facts, list[_Check]]:
    """Return the open facts of all checks, each once, and which of them each check shows."""
    known = evidence.settled()
    group_of = {f: group for group in evidence.groups for f in group}
    number: dict[tuple[int, ...], int] = {}
    shows: list[list[int]] = []
    for k, shown in enumerate(reveals):
        left = set(shown)
        for f in left:
            if not 0 <= f < len(network.leak):
                raise NetworkError(
                    f"reveals[{k}]",
                    f"no finding {f}",
                    f"findings are numbered 0 to {len(network.leak) - 1}",
                )
        left -= known
        own = {tuple(sorted(group_of[f] & left)) if f in group_of else (f,) for f in left}
        shows.append([number.setdefault(fact, len(number)) for fact in sorted(own)])
    items = list(number)
    first = [fact[0] for fact in items]
    link, leak = network.link[:, first].T, network.leak[first]
    for at, fact in enumerate(items):
        if len(fact) > 1:
            link[at] = network.link[:, list(fact)].max(axis=1)
            leak[at] = network.leak[list(fact)].max()
    open_causes = (network.prior > 0) & (network.prior < 1)
    tells: Bools = (link > 0) & open_causes & (leak < 1)[:, None]
    with np.errstate(divide="ignore"):
        miss = np.maximum(np.log1p(-link), _NEVER)
        certain = np.log1p(-link[:, network.prior >= 1]).sum(axis=1)
        quiet = np.maximum(np.log1p(-leak) + certain, _NEVER)
    told = set(np.flatnonzero(tells.any(axis=1)).tolist())
    checks = []
    for numbers in shows:
        own_facts = np.array([f for f in numbers if f in told], dtype=np.intp)
        checks.append(_Check(own_facts, np.flatnonzero(tells[own_facts].any(axis=0))))
    return _Facts(np.where(open_causes, miss, 0.0), quiet), checks


def _exact_ones(checks: Sequence[_Check], coupled: Bools, budget: int) -> list[int]:
    costs = []
    for k, check in enumerate(checks):
        count = len(check.causes)
        if not count:
            continue
        problems = int(coupled[check.causes].sum())
        table = 1 << (count + len(check.facts))
        if problems <= _EXACT_CAUSES and table <= _EXACT_TABLE:
            costs.append((1 << problems, k))
    chosen, spent = [], 0
    for cost, k in sorted(costs):
        spent += cost
        if spent > budget:
            break
        chosen.append(k)
    return sorted(chosen)


def _joints(
    compiled: Compiled,
    groups: Sequence[npt.NDArray[np.intp]],
    coupled: Bools,
    p: Floats,
) -> list[tuple[Bools, Floats]]:
    """Return for each group of causes all its sets and their exact posterior weights."""
    on: list[Floats] = []
    off: list[Floats] = []
    sizes = []
    for causes in groups:
        held = causes[coupled[causes]]
        sets = _subsets(len(held))
        sizes.append(len(sets))
        for out, weight, use in (
            (on, compiled.weight_on[0], sets),
            (off, compiled.weight_off[0], ~sets),
        ):
            wide = np.tile(weight, (len(sets), 1))
            wide[:, held] = np.where(use, wide[:, held], 0.0)
            out.append(wide)
    log_z = forward(
        replace(compiled, weight_on=np.concatenate(on), weight_off=np.concatenate(off))
    ).log_z
    out_joints = []
    for causes, part in zip(groups, np.split(log_z, np.cumsum(sizes)[:-1]), strict=True):
        weight = np.exp(part - part.max())
        sets = _subsets(int(coupled[causes].sum()))
        whole = np.zeros((len(sets), len(causes)), dtype=bool)
        whole[:, coupled[causes]] = sets
        for at in np.flatnonzero(~coupled[causes]).tolist():
            # Untouched by what must be explained: independent of everything else.
            mine = p[causes[at]]
            whole = np.concatenate([whole, whole])
            whole[len(weight) :, at] = True
            weight = np.concatenate([weight * (1 - mine), weight * mine])
        out_joints.append((whole, weight / weight.sum()))
    return out_joints


def _subsets(count: int) -> Bools:
    return (np.arange(1 << count)[:, None] >> np.arange(count) & 1).astype(bool)


def _raked(sets: Bools, p: Floats) -> Floats:
    """Return weights of the draws under which every cause has its exact posterior."""
    weight = np.full(len(sets), 1.0 / len(sets))
    share = sets.mean(axis=0)
    usable = np.flatnonzero((p > 0) & (p < 1) & (share > 0) & (share < 1))
    columns = np.ascontiguousarray(sets[:, usable].T, dtype=np.float64)
    for _ in range(_RAKES):
        for column, want in zip(columns, p[usable].tolist(), strict=True):
            on = float(weight @ column)
            off = float(weight.sum()) - on
            # Only the ratio counts here; the sum is put right at the end.
            weight += weight * column * (want / (1 - want) * off / on - 1)
    out: Floats = weight / weight.sum()
    return out


def _entropy(absent: Floats) -> Floats:
    """Return the entropy in nats of facts absent with these chances."""
    out: Floats = entr(absent) + entr(1.0 - absent)
    return out


def _product(a: Singles, b: Singles) -> Singles:
    """Return a @ b in parts so small that the library does not start threads for them.

    Its threads wait for a core of their own: on a busy machine that takes many times the work.
    """
    size = max(1, _ONE_THREAD // max(1, a.shape[1] * b.shape[1]))
    if size >= len(a):
        return a @ b
    out = np.empty((len(a), b.shape[1]), dtype=a.dtype)
    for at in range(0, len(a), size):
        np.matmul(a[at : at + size], b, out=out[at : at + size])
    return out


def _table(absent: Real) -> Real:
    """Return (2^facts, sets) chances of all outcomes."""
    table = np.empty((1 << absent.shape[1], len(absent)), dtype=absent.dtype)
    table[0] = 1
    for at, a in enumerate(absent.T):
        size = 1 << at
        np.multiply(table[:size], 1 - a, out=table[size : 2 * size])
        table[:size] *= a
    return table


def _all_outcomes(absent: Real, weight: Real, entropy: Floats) -> float:
    """Return the information when every outcome is gone through.

    The facts are halved: chances of all outcomes are one product of the halves' tables.
    """
    half = absent.shape[1] // 2
    left = _table(absent[:, :half]) * weight
    right = _table(absent[:, half:])
    joint = np.zeros((len(left), len(right)))
    size = max(1, _ONE_THREAD // joint.size)
    for at in range(0, len(weight), size):
        joint += left[:, at : at + size] @ right[:, at : at + size].T
    return float((entr(joint).sum() - entropy.sum()) * _BITS)


def _some_outcomes(absent: Singles, present: Singles, weight: Singles, seed: int) -> float:
    """Return the information from outcomes that are drawn; chances as logarithms."""
    rng = np.random.default_rng(seed)
    count = _OUTCOME_DRAWS
    cuts = (np.arange(count) + rng.random(count)) / count
    of = np.minimum(np.searchsorted(np.cumsum(weight), cuts), len(absent) - 1)
    mine = np.exp(absent[of])
    shown = rng.random(mine.shape, dtype=np.float32) >= mine
    # Given an outcome, how far it moves the weights of the sets: Σ w' log(w'/w), never below 0.
    outcomes = np.column_stack([shown, np.ones(count, dtype=bool)]).astype(np.float32)
    ratio = np.vstack([(present - absent).T, absent.sum(axis=1)])
    total, spread = np.empty(count, dtype=np.float32), np.empty(count, dtype=np.float32)
    # A few rows at a time stay in the processor's cache, and on one thread.
    size = max(1, min(_ONE_THREAD // ratio.size, _ONE_THREAD_VECTOR // len(absent)))
    for at in range(0, count, size):
        part = slice(at, at + size)
        log = outcomes[part] @ ratio
        log -= log.max(axis=1, keepdims=True)
        after = np.exp(log)
        np.matmul(after, weight, out=total[part])
        after *= log
        np.matmul(after, weight, out=spread[part])
    moved = (spread / total - np.log(total)).astype(np.float64)
    # The mean of each fact's outcomes is known: what they miss of it is taken off by regression.
    usual = 1 - np.einsum("s,sf->f", weight, np.exp(absent))
    design = np.column_stack([np.ones(count), shown - usual])
    normal: Floats = design.T @ design
    # A fact that comes out alike in every draw has no slope; the ridge keeps it at none.
    normal[np.diag_indices_from(normal)] += 1e-6 * count
    return float(np.linalg.solve(normal, design.T @ moved)[0] * _BITS)
