"""Set wild readings aside, by name: a slip of the pen must not teach the model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pitwise.wear.history import History, Packed, pack
from pitwise.wear.paths import follow
from pitwise.wear.pool import Belief
from pitwise.wear.prior import SIGMA, Floats, GrowthPrior

_WILD = 5.5
_HIDDEN = 3.5
_LEAST_GAIN = 10.0
_MOST_SHARE = 0.02
_MM_PER_THOU = 0.0254


@dataclass(frozen=True)
class SetAside:
    """A reading left out of the fit, and why."""

    electrode: str
    step: int
    depth_mm: float
    text: str


def _without(history: History, step: int) -> History:
    steps = list(history.steps)
    steps[step] = replace(steps[step], depth_mm=None)
    return replace(history, steps=tuple(steps))


def impossible(
    histories: tuple[History, ...], prior: GrowthPrior
) -> tuple[tuple[History, ...], tuple[SetAside, ...]]:
    """Set aside readings no hole can give: past the deepest, or far below zero."""
    aside: list[SetAside] = []
    kept = []
    floor = -10 * float(np.exp(prior.mean[SIGMA]))
    for history in histories:
        for k, step in enumerate(history.steps):
            d = step.depth_mm
            if d is None or floor <= d <= prior.deepest_mm:
                continue
            text = (
                f"{d:g} mm is below zero by more than any gauge errs: is the sign right?"
                if d < 0
                else f"{d:g} mm is deeper than the {prior.deepest_mm:g} mm any can be"
            )
            if d > prior.deepest_mm and d * _MM_PER_THOU <= prior.deepest_mm:
                text += f": {d:g} thou would be {d * _MM_PER_THOU:.2f} mm"
            aside.append(SetAside(history.name, k, d, text))
            history = _without(history, k)  # noqa: PLW2901 -- one electrode, mended in place
        kept.append(history)
    return tuple(kept), tuple(aside)


def most_surprising(
    histories: tuple[History, ...], packed: Packed, theta: Floats, beliefs: Sequence[Belief]
) -> tuple[int, tuple[History, ...]] | None:
    """Return the electrode of the most surprising reading, and the histories without that reading.

    Where a shop has few readings, one wild one inflates the noise it is judged by and so
    hides. To judge it, fit without it and ask `surprising`. None: nothing is 3.5 SDs off.
    """
    worst, which, step = _HIDDEN, -1, -1
    for group in packed.packs:
        if len(group.counts):
            off = np.abs(follow(group, theta, beliefs).surprise)
            off = np.where(np.isfinite(off), off, 0.0)
            row, k = np.unravel_index(int(off.argmax()), off.shape)
            if off[row, k] > worst:
                worst, which, step = float(off[row, k]), int(group.index[row]), int(k)
    if which < 0:
        return None
    without = list(histories)
    without[which] = _without(histories[which], step)
    return which, tuple(without)


def surprising(
    histories: tuple[History, ...],
    packed: Packed,
    theta: Floats,
    beliefs: Sequence[Belief],
    only: int | None = None,
) -> tuple[tuple[History, ...], tuple[SetAside, ...]]:
    """Set aside single readings the fitted model can't believe.

    For an electrode with a reading more than 5.5 SDs from its prediction, the reading whose
    absence makes the others most likely is the wild one, provided it makes them more likely
    by a factor e^10. When more than one reading in 50 would go, it is the model that does
    not fit, and all stay.

    Parameters
    ----------
    histories : tuple of History
    packed : Packed
        The same, packed.
    theta : float array, shape (7,)
    beliefs : sequence of Belief
        Of ``packed.processes``.
    only : int or None
        Judge this electrode alone.
    """
    suspects: list[int] = []
    for group in packed.packs:
        if len(group.counts):
            worst = np.nanmax(np.abs(follow(group, theta, beliefs).surprise), axis=1, initial=0.0)
            suspects += [int(i) for i in group.index[worst > _WILD]]
    if only is not None:
        suspects = [i for i in suspects if i == only]
    if not suspects or len(suspects) > max(1, _MOST_SHARE * packed.readings):
        return histories, ()
    of = dict(zip(packed.processes, beliefs, strict=True))
    kept, aside = list(histories), []
    for i in suspects:
        history = histories[i]
        read = [k for k, step in enumerate(history.steps) if step.depth_mm is not None]
        tries = [_without(history, k) for k in read]
        alone = pack(
            [replace(h, name=str(n)) for n, h in enumerate([history, *tries])], packed.sigma_mm
        )
        group = next(g for g in alone.packs if len(g.counts))
        paths = follow(group, theta, [of[name] for name in alone.processes])
        place = {int(original): row for row, original in enumerate(group.index)}
        density = [float(paths.log_density[place[n]]) for n in range(len(tries) + 1)]
        best = max(range(len(tries)), key=lambda n: density[n + 1])
        if density[best + 1] - density[0] < _LEAST_GAIN:
            continue
        k = read[best]
        expected = float(paths.before_mm[place[best + 1], k])
        depth = history.steps[k].depth_mm or 0.0
        text = f"{depth:g} mm where about {expected:.2f} mm was to be expected"
        aside.append(SetAside(history.name, k, depth, text))
        kept[i] = tries[best]
    return tuple(kept), tuple(aside)
