"""Exact posterior and draws of whole sets of causes, wide problems by their cutset."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pitwise.causes.cutset import Cut, cut, parts, row
from pitwise.causes.draws import DRAWS, draw_sets
from pitwise.causes.evidence import Compiled
from pitwise.causes.network import Floats, Network
from pitwise.causes.posterior import Batch, impossible, mixed, solve, solve_cut
from pitwise.causes.recursion import Sums, forward, structure

Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Summed:
    """One problem summed, ready to be drawn from.

    Attributes
    ----------
    compiled : Compiled
        The evidence; for a wide problem one problem for each way to set the cutset.
    found : Cut
        How it is summed.
    p : (n,) array
        The causes' posteriors.
    sums : Sums or None
        The forward pass; None for a wide problem.
    share : (parts,) array
        Probability of each way to set the cutset, given the evidence.
    """

    compiled: Compiled
    found: Cut
    p: Floats
    sums: Sums | None
    share: Floats

    def draw(self, wanted: list[int], seed: int, count: int = DRAWS) -> Bools:
        """Return `count` draws (count, n) of which causes are at work; see `draw_sets`."""
        if self.sums is not None:
            return draw_sets(self.sums, wanted, seed, count)
        wanted = sorted({*wanted, *self.found.causes})
        start = np.random.default_rng(seed).random()
        ends = np.cumsum(self.share)
        # Evenly spread: each way to set the cutset gets its share, to the next whole draw.
        of = np.searchsorted(ends, (np.arange(count) + start) / count * ends[-1], side="right")
        at, counts = np.unique(np.minimum(of, len(ends) - 1), return_counts=True)
        drawn = [
            draw_sets(
                forward(row(self.compiled, b, b + 1), self.found.plan), wanted, [seed, b], many
            )
            for b, many in zip(at.tolist(), counts.tolist(), strict=True)
        ]
        return np.concatenate(drawn)


def summed(network: Network, compiled: Compiled) -> Summed:
    """Sum one problem.

    Raises
    ------
    NetworkError
        If the evidence is impossible, or stays too wide whatever is set.
    """
    found = cut(structure(compiled))
    sums: Sums | None = None
    share = np.ones(1)
    each: Batch
    if found.causes:
        compiled_parts = parts(compiled, found.causes)
        each = solve_cut(compiled_parts, found)
        top = each.log_evidence.max()
        if top > -np.inf:
            share = np.exp(each.log_evidence - top)
            share /= share.sum()
        solved = mixed(each)
    else:
        compiled_parts = compiled
        sums = forward(compiled, found.plan)
        solved = solve(compiled, sums)
    if solved.log_evidence[0] == -np.inf:
        raise impossible(network, compiled)
    return Summed(compiled_parts, found, solved.p[0], sums, share)
