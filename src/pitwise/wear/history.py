"""Readings of many electrodes, checked and packed for the fit.

"Electrode" stands for any part whose hole grows with use; a nozzle's orifice is read,
checked and fitted by the same code.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from pitwise.wear.prior import Floats

Ended = Literal["running", "replaced", "lost"]


@dataclass(frozen=True)
class Step:
    """An electrode's use at one moment, and the depth read then if it was read.

    Attributes
    ----------
    starts, arc_minutes : float
        Since new, never falling.
    depth_mm : float or None
        None: used so far, not gauged.
    sigma_mm : float or None
        The reading's own standard uncertainty; None: the gauge's common one.
    process : str
        What it cut with since the step before.
    """

    starts: float
    arc_minutes: float
    depth_mm: float | None
    process: str
    sigma_mm: float | None = None


@dataclass(frozen=True)
class History:
    """One electrode: its steps in order and how it ended."""

    name: str
    steps: tuple[Step, ...]
    ended: Ended = "running"

    def __post_init__(self) -> None:
        """Refuse what no electrode can have done."""
        if not self.steps:
            raise HistoryError(self.name, "has no step", "give it at least one row")
        before = (0.0, 0.0)
        for step in self.steps:
            use = (step.starts, step.arc_minutes)
            if not all(math.isfinite(x) and 0 <= x <= 1e9 for x in use):
                raise HistoryError(
                    self.name,
                    f"use of {use[0]:g} starts and {use[1]:g} minutes can't be",
                    "correct the use",
                )
            if use[0] < before[0] or use[1] < before[1]:
                raise HistoryError(
                    self.name,
                    f"use falls from {before[0]:g} starts, {before[1]:g} minutes to "
                    f"{use[0]:g} starts, {use[1]:g} minutes",
                    "put its rows in order, use counted since it was new",
                )
            before = use
            for value, what in ((step.depth_mm, "depth"), (step.sigma_mm, "uncertainty")):
                if value is not None and not (math.isfinite(value) and abs(value) < 1e4):
                    raise HistoryError(self.name, f"{what} {value} can't be", "correct it")
            if step.sigma_mm is not None and step.sigma_mm <= 0:
                raise HistoryError(
                    self.name, "an uncertainty of zero or less", "give one above zero"
                )

    @property
    def last(self) -> Step:
        """The latest step."""
        return self.steps[-1]

    @property
    def readings(self) -> int:
        """How many times it was gauged."""
        return sum(step.depth_mm is not None for step in self.steps)

    def main_process(self) -> str:
        """Return the process it did most of its starts with (its minutes, if no starts)."""
        done: dict[str, float] = {}
        before = Step(0.0, 0.0, None, "")
        for step in self.steps:
            share = (step.starts - before.starts) + 1e-3 * (step.arc_minutes - before.arc_minutes)
            done[step.process] = done.get(step.process, 0.0) + share
            before = step
        return max(done, key=lambda name: done[name])


class HistoryError(ValueError):
    """Readings that can't be: names the electrode and the mend."""

    def __init__(self, electrode: str, problem: str, mend: str) -> None:
        self.electrode, self.problem, self.mend = electrode, problem, mend
        super().__init__(f"electrode {electrode}: {problem}. Mend: {mend}.")


@dataclass(frozen=True)
class Pack:
    """Electrodes of one process as arrays, those with most steps first.

    Attributes
    ----------
    index : int array, shape (n,)
        Each one's place in the list packed.
    counts : int array, shape (n,)
        Steps of each, falling.
    starts, arc_minutes, depth_mm, noise : float arrays, shape (n, steps)
        Use since new; depth (NaN: not gauged); the reading's sigma as a multiple of the
        common sigma.
    process : int array, shape (n, steps)
        Process of the use up to the step.
    """

    index: npt.NDArray[np.intp]
    counts: npt.NDArray[np.intp]
    starts: Floats
    arc_minutes: Floats
    depth_mm: Floats
    noise: Floats
    process: npt.NDArray[np.intp]


@dataclass(frozen=True)
class Packed:
    """All electrodes, by process; `sigma_mm` is the common sigma `noise` multiplies, if known."""

    processes: tuple[str, ...]
    packs: tuple[Pack, ...]
    sigma_mm: float | None
    electrodes: int
    readings: int


def pack(histories: Sequence[History], sigma_mm: float | None = None) -> Packed:
    """Pack electrodes by their main process.

    Parameters
    ----------
    histories : sequence of History
    sigma_mm : float or None
        The common sigma readings' own are multiples of; None: their geometric mean.

    Returns
    -------
    Packed
        One `Pack` for each process that appears, in order of first appearance; a process
        nobody's main one has an empty pack.
    """
    names: dict[str, int] = {}
    members: list[list[int]] = []
    sigmas: list[float] = []
    readings = 0
    for i, history in enumerate(histories):
        for step in history.steps:
            if step.process not in names:
                names[step.process] = len(names)
                members.append([])
            if step.depth_mm is not None:
                readings += 1
                if step.sigma_mm is not None:
                    sigmas.append(step.sigma_mm)
        members[names[history.main_process()]].append(i)
    common = sigma_mm
    if common is None and sigmas:
        common = math.exp(float(np.mean(np.log(sigmas))))
    packs = []
    for group in members:
        order = sorted(group, key=lambda i: -len(histories[i].steps))
        widest = len(histories[order[0]].steps) if order else 0
        shape = (len(order), widest)
        counts = np.array([len(histories[i].steps) for i in order], dtype=np.intp)
        starts, minutes, noise = np.zeros(shape), np.zeros(shape), np.ones(shape)
        depth, process = np.full(shape, np.nan), np.zeros(shape, dtype=np.intp)
        for row, i in enumerate(order):
            for k, step in enumerate(histories[i].steps):
                starts[row, k], minutes[row, k] = step.starts, step.arc_minutes
                process[row, k] = names[step.process]
                if step.depth_mm is not None:
                    depth[row, k] = step.depth_mm
                if step.sigma_mm is not None and common is not None:
                    noise[row, k] = step.sigma_mm / common
        packs.append(
            Pack(np.array(order, dtype=np.intp), counts, starts, minutes, depth, noise, process)
        )
    return Packed(tuple(names), tuple(packs), common, len(histories), readings)
