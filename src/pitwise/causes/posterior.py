"""Posterior probabilities of the causes, one set of evidence or many at once."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import expit

from pitwise.causes.cutset import (
    MOST_BATCHED,
    MOST_NUMBERS,
    Cut,
    cut,
    parts,
    row,
    too_wide,
)
from pitwise.causes.evidence import (
    LEAST_WEIGHT,
    Compiled,
    Evidence,
    Item,
    compile_evidence,
    weights,
)
from pitwise.causes.network import Floats, Network, NetworkError
from pitwise.causes.recursion import Number, Sums, backward, batch_of, forward, structure

# Sums this far above raised weights are not moved by them.
_LOG_FINE = math.log(LEAST_WEIGHT) + 20 * math.log(10)


@dataclass(frozen=True, eq=False)
class Posterior:
    """What the evidence says of the causes.

    Attributes
    ----------
    p : (n,) array
        Probability that each cause is at work, 0 to 1.
    log_evidence : float
        Natural logarithm of the probability of the evidence; for readings, of their likelihood
        up to the scale they came in.
    log_odds : (n,) array
        log(p / (1 − p)), kept apart since it stays exact where p rounds to 0 or 1; ±∞ there.
    """

    p: Floats
    log_evidence: float
    log_odds: Floats


@dataclass(frozen=True, eq=False)
class Batch:
    """Posteriors of B problems: `p` and `log_odds` (B, n), `log_evidence` (B,).

    A problem whose evidence is impossible has log_evidence −∞ and NaN for p.
    """

    p: Floats
    log_evidence: Floats
    log_odds: Floats


def solve(compiled: Compiled, sums: Sums | None = None) -> Batch:
    """Return the posteriors of compiled evidence, impossible problems included.

    Parameters
    ----------
    compiled : Compiled
        The evidence.
    sums : Sums, optional
        Its forward pass, when there is one already.

    Raises
    ------
    NetworkError
        If it is too wide, or many problems together too much work.
    """
    if sums is not None:
        return _direct(compiled, sums)
    found = cut(structure(compiled))
    batch = batch_of(compiled)
    if batch > 1 and batch * found.work > MOST_BATCHED:
        raise too_wide(found.plan)
    if not found.causes:
        return solve_cut(compiled, found)
    each = (parts(row(compiled, b, b + 1), found.causes) for b in range(batch))
    return _joined([mixed(solve_cut(part, found)) for part in each])


def solve_cut(compiled: Compiled, found: Cut) -> Batch:
    """Return posteriors of a batch, as much of it at a time as memory should hold.

    Parameters
    ----------
    compiled : Compiled
        The problems; those of `parts` when causes are set.
    found : Cut
        How they are summed.
    """
    batch = batch_of(compiled)
    size = max(1, MOST_NUMBERS // max(found.plan.states, 1))
    if size >= batch:
        return _direct(compiled, forward(compiled, found.plan))
    chunks = [row(compiled, b, min(batch, b + size)) for b in range(0, batch, size)]
    return _joined([_direct(c, forward(c, found.plan)) for c in chunks])


def mixed(each: Batch) -> Batch:
    """Return one problem's posteriors as the mean over all ways to set the cutset's causes."""
    top = each.log_evidence.max()
    if top == -np.inf:
        nothing = np.full((1, each.p.shape[1]), np.nan)
        return Batch(nothing, np.array([-np.inf]), nothing)
    weight = np.exp(each.log_evidence - top)
    possible = weight > 0
    share = weight[possible]
    on = share @ each.p[possible]
    off = share @ expit(-each.log_odds[possible])
    with np.errstate(divide="ignore"):
        log_odds = np.log(on) - np.log(off)
    log_z = np.array([top + np.log(share.sum())])
    return Batch((on / (on + off))[None], log_z, log_odds[None])


def _joined(batches: list[Batch]) -> Batch:
    return Batch(
        np.concatenate([b.p for b in batches]),
        np.concatenate([b.log_evidence for b in batches]),
        np.concatenate([b.log_odds for b in batches]),
    )


def _direct(compiled: Compiled, sums: Sums) -> Batch:
    slopes = backward(sums)
    shape = (sums.batch, compiled.weight_on.shape[1])
    on, off = (_stacked(values, shape) for values in (slopes.on, slopes.off))
    on *= compiled.weight_on
    off *= compiled.weight_off
    with np.errstate(divide="ignore", invalid="ignore"):
        p = on / (on + off)
        log_odds = np.log(on) - np.log(off)
    log_z = np.array(sums.log_z)
    if not np.isfinite(log_z).all():
        p[log_z == -np.inf] = log_odds[log_z == -np.inf] = np.nan
    return Batch(p, log_z, log_odds)


def _stacked(values: list[Number], shape: tuple[int, int]) -> Floats:
    if shape[0] == 1:
        return np.array(values, dtype=np.float64).reshape(shape)
    out = np.empty(shape)
    for i, value in enumerate(values):
        out[:, i] = value
    return out


def posteriors(network: Network, evidence: Evidence, most_work: int | None = None) -> Posterior:
    """Return the exact posterior of every cause.

    Parameters
    ----------
    network : Network
        The network.
    evidence : Evidence
        What was found; whatever it leaves out was not looked at and has no part in the sums.
    most_work : int, optional
        Most updates of states to be done (some fifty million take a second); default: whatever
        it takes.

    Raises
    ------
    NetworkError
        If the evidence does not fit the network, takes more work than that, is too unlikely for
        double precision, or has probability zero; then it names a smallest set of findings that
        cannot be together.
    """
    compiled = compile_evidence(network, evidence)
    if most_work is not None:
        found = cut(structure(compiled))
        work = found.plan.cost << len(found.causes)
        if work > most_work:
            raise NetworkError(
                "evidence",
                f"{len(compiled.opened)} facts seen at once hang together through shared causes: "
                f"exact sums take {work / most_work:,.1f} times the work that is done at most",
                "leave out findings that say the same",
            )
    out = solve(compiled)
    if out.log_evidence[0] == -np.inf:
        raise impossible(network, compiled)
    _check_scale(compiled, float(out.log_evidence[0]))
    return Posterior(out.p[0], float(out.log_evidence[0]), out.log_odds[0])


def _check_scale(compiled: Compiled, log_evidence: float) -> None:
    """Refuse sums so small that weights raised to `LEAST_WEIGHT` would tell in them."""
    raised = (compiled.weight_on == LEAST_WEIGHT) | (compiled.weight_off == LEAST_WEIGHT)
    if raised.any() and log_evidence - float(compiled.log_constant[0]) < _LOG_FINE:
        raise NetworkError(
            "evidence",
            "it is so unlikely with every set of causes that sums in double precision do not "
            "tell which is the likeliest",
            "give priors, leaks and links nearer to what is known of them, and look at the "
            "findings again",
        )


def posterior_draws(
    network: Network, evidence: Evidence, prior: Floats, leak: Floats, link: Floats
) -> Batch:
    """Return the posteriors for B sets of numbers in place of the network's own.

    Parameters
    ----------
    network : Network
        Names and number of causes and findings.
    evidence : Evidence
        What was found. Tables of its grades may have a leading axis of B.
    prior, leak, link : (B, n), (B, m), (B, n, m) array
        The numbers, 0 to 1; each may have a first axis of 1.
    """
    return solve(compile_evidence(network, evidence, prior, leak, link))


def without_each(compiled: Compiled) -> tuple[tuple[Item, ...], Compiled]:
    """Return the items of one piece of evidence, and a problem for each that lacks it.

    A fact that must be explained is lifted by giving it the weight 1 explained or not; an absent
    one by leaving out its factor.
    """
    items = tuple(dict.fromkeys([*compiled.opened, *compiled.closed]))
    count = len(items)
    lifted = np.array([[a == b for b in compiled.opened] for a in items], dtype=bool)
    lifted = lifted.reshape((count, len(compiled.opened)))
    kept = np.array([[a != b for b in compiled.closed] for a in items], dtype=bool)
    kept = kept.reshape((count, len(compiled.closed)))
    rows, prior = compiled.rows[0], compiled.prior
    # −∞ (a link of 1) has to be counted apart: 0 × −∞ is no number.
    hopeless = np.isneginf(rows)
    finite = np.where(hopeless, 0.0, rows)
    with np.errstate(divide="ignore"):
        log_on = np.log(prior) + np.where(kept @ hopeless, -np.inf, kept @ finite)
        log_off = np.log1p(-prior)
    on, off, taken = weights(log_on, log_off)
    return items, replace(
        compiled,
        weight_on=on,
        weight_off=off,
        close_unexplained=np.where(lifted, 1.0, compiled.close_unexplained),
        close_explained=np.where(lifted, 1.0, compiled.close_explained),
        log_constant=taken + np.where(kept, compiled.row_constants, 0.0).sum(axis=1),
    )


@dataclass(frozen=True, eq=False)
class Lacking:
    """Evidence less each of its facts.

    Attributes
    ----------
    items : tuple of Item
        The facts; findings of one group that are alike are one of them.
    whole : (n,) array
        Log-odds of each cause with all the evidence.
    log_odds : (items, n) array
        The same without each fact.
    telling : (items, n) array
        Facts that are there and linked to each cause (`Compiled.telling`), without each fact.
    """

    items: tuple[Item, ...]
    whole: Floats
    log_odds: Floats
    telling: npt.NDArray[np.intp]


def lacking_each(network: Network, evidence: Evidence) -> Lacking:
    """Return the causes' log-odds with all the evidence, and without each fact of it.

    Raises
    ------
    NetworkError
        As `posteriors`.
    """
    compiled = compile_evidence(network, evidence)
    whole = solve(compiled)
    if whole.log_evidence[0] == -np.inf:
        raise impossible(network, compiled)
    items, each = without_each(compiled)
    n = len(network.prior)
    if not items:
        return Lacking((), whole.log_odds[0], np.zeros((0, n)), np.zeros((0, n), dtype=np.intp))
    there = (each.close_explained > each.close_unexplained)[..., None]
    telling = ((each.q > 0) & there).sum(axis=1)
    return Lacking(items, whole.log_odds[0], solve(each).log_odds, telling)


def leave_one_out(network: Network, evidence: Evidence) -> tuple[tuple[Item, ...], Floats]:
    """Return how much each fact of the evidence moves each cause, given all the other facts.

    Parameters
    ----------
    network : Network
        The network.
    evidence : Evidence
        What was found.

    Returns
    -------
    items : tuple of Item
        The facts; findings of one group that are alike are one of them.
    shifts : (items, n) array
        Log-odds of each cause with all the evidence less its log-odds without this fact: above 0
        speaks for the cause. ±∞ where the fact alone decides it; 0 where both are certain.

    Raises
    ------
    NetworkError
        As `posteriors`.
    """
    lacking = lacking_each(network, evidence)
    return lacking.items, difference(lacking.whole, lacking.log_odds)


def difference(one: Floats, other: Floats) -> Floats:
    """Return the difference of log-odds; 0 where both are equally infinite."""
    with np.errstate(invalid="ignore"):
        return np.where(one == other, 0.0, one - other)


def impossible(network: Network, compiled: Compiled) -> NetworkError:
    """Return the error that names a smallest set of findings that cannot be together."""
    names = network.findings
    items = list(dict.fromkeys([*compiled.closed, *compiled.opened]))
    kept = list(items)
    for item in items:
        tried = [x for x in kept if x != item]
        if solve(_only(compiled, tried)).log_evidence[0] == -np.inf:
            kept = tried
    words = [
        f"'{names[f]}' {_WORDS[item.kind]}" for item in kept for f in item.findings[:_MOST_NAMED]
    ]
    if len(words) > _MOST_NAMED:
        words = [*words[:_MOST_NAMED], f"{len(words) - _MOST_NAMED} more"]
    problem = "the evidence is impossible"
    if words:
        what = " with ".join(words) if len(words) < 3 else ", ".join(words)
        problem += f": no set of causes gives {what}"
    return NetworkError(
        "evidence", problem, "look at these again, or give a leak or a link above 0 and below 1"
    )


_WORDS = {"seen": "seen", "absent": "absent", "soft": "as read", "grade": "of its grade"}
_MOST_NAMED = 8


def _only(compiled: Compiled, items: list[Item]) -> Compiled:
    """Return one problem with these items only."""
    opened = [i for i, x in enumerate(compiled.opened) if x in items]
    closed = [i for i, x in enumerate(compiled.closed) if x in items]
    rows = compiled.rows[:, closed]
    with np.errstate(divide="ignore"):
        on, off, taken = weights(
            np.log(compiled.prior) + rows.sum(axis=1), np.log1p(-compiled.prior)
        )
    return replace(
        compiled,
        weight_on=on,
        weight_off=off,
        q=compiled.q[:, opened],
        leak=compiled.leak[:, opened],
        close_unexplained=compiled.close_unexplained[:, opened],
        close_explained=compiled.close_explained[:, opened],
        log_constant=taken + compiled.row_constants[:, closed].sum(axis=1),
        opened=tuple(compiled.opened[i] for i in opened),
        rows=rows,
        row_constants=compiled.row_constants[:, closed],
        closed=tuple(compiled.closed[i] for i in closed),
    )
