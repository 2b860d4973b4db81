"""How many parts will be changed, day by day: the wear model run forward.

Every path draws its own truth: the shared unknowns of the wear fit, the process' rate, each
electrode's own rate, the torch's daily work. So the spread over paths holds what is not known
and what is chance together. Electrode and nozzle are changed by the pit
(`pitwise.shelf.set_changes`), parts without one by their own lives (`pitwise.shelf.own_lives`).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pitwise.shelf.own_lives import counted_ends, renewals
from pitwise.shelf.paths import DemandPaths, Ints
from pitwise.shelf.set_changes import set_changes
from pitwise.shelf.torch_load import Counted, TorchLoad
from pitwise.shelf.work_ahead import drawn_work

PATHS = 2000


def simulate_changes(
    torches: Sequence[TorchLoad], *, days: int, paths: int = PATHS, seed: int
) -> dict[str, DemandPaths]:
    """Run every torch forward and count what each change takes.

    Parameters
    ----------
    torches : sequence of TorchLoad
    days : int
        To look ahead, >= 1.
    paths : int
    seed : int
        The same seed, torches and days give the same paths.

    Returns
    -------
    dict of str to DemandPaths
        By the keys of sets and parts. Doubt about a process, or a part's lives, is shared by
        the torches that use it.

    Raises
    ------
    ValueError
        No day or no path.
    """
    if days < 1 or paths < 1:
        raise ValueError("at least one day and one path are needed")
    found: dict[str, Ints] = {}

    def take(key: str, pieces: Ints) -> None:
        found[key] = found[key] + pieces if key in found else pieces

    for torch in torches:
        random = np.random.default_rng([seed, *torch.name.encode()])
        starts, minutes = drawn_work(torch.work, days, paths, random)
        if torch.sets is not None:
            shared = _shared(seed, "process", torch.sets.state.process)
            changed = set_changes(torch, torch.sets, starts, minutes, shared, random)
            for key in torch.sets.keys:
                take(key, changed)
            for key, counted in torch.sets.alone:
                take(key, counted_ends(counted, starts, _shared(seed, "alone", key), random))
        for part in torch.parts:
            shared = _shared(seed, "part", part.key)
            if isinstance(part.life, Counted):
                take(part.key, counted_ends(part.life, starts, shared, random))
            else:
                take(part.key, renewals(part.life, part.starts, starts, shared, random))
    return {key: DemandPaths(pieces) for key, pieces in found.items()}


def _shared(seed: int, what: str, name: str) -> np.random.Generator:
    """Return the dice that all torches with the same unknown throw alike."""
    return np.random.default_rng([seed, *what.encode(), 0, *name.encode()])
