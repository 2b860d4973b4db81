"""Turnbull's estimate: the distribution of lives without a formula, from lives known in part."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_factor, cho_solve

from pitwise.wear.refusal import FitRefusedError

from .lives import Floats, Lives
from .steps import kaplan_meier

Ints = npt.NDArray[np.int64]

# The most that the log-likelihood may fall short of its maximum, for one life: aimed at, and
# taken where rounding leaves no more.
_GAP, _ROUNDING = 1e-11, 1e-9
# Up to so many places of mass, Newton's equations are solved whole.
_DENSE = 1500
_FIRST, _MOST_STEPS = 20, 100
_MOST_PASSES = 100_000


class TurnbullNotDoneError(FitRefusedError):
    """The masses did not settle."""


@dataclass(frozen=True, eq=False)
class Turnbull:
    """Shares of lives that end within intervals; where within, nothing tells.

    Attributes
    ----------
    from_, to : (k,) array
        Each share ends in ``(from_, to]``, or at that life exactly where the two are equal.
        `to` is infinite where it has not ended yet.
    mass : (k,) array
        The shares; above 0, adding up to 1.
    loglik : float
        Log-probability of the lives; no distribution has a higher one by more than `gap`.
    gap : float
        Bound on what is missing to the maximum, from the slopes at all places (Kuhn–Tucker).
    """

    from_: Floats
    to: Floats
    mass: Floats
    loglik: float
    gap: float

    def failed(self, t: float) -> tuple[float, float]:
        """Return the lowest and highest share that has ended by t."""
        point = self.from_ == self.to
        low = float(self.mass[self.to <= t].sum())
        high = float(self.mass[(self.from_ < t) | (point & (self.from_ <= t))].sum())
        return min(low, 1.0), min(high, 1.0)


def turnbull(lives: Lives) -> Turnbull:
    """Return the distribution of highest likelihood among all.

    Mass can lie only in innermost intervals (Turnbull 1976). Their masses maximise a concave
    function; they are found by Newton steps on the places that carry mass, new places being
    taken up where the slope is highest (Wang 2007), until no slope is above that of the
    places in use.

    Parameters
    ----------
    lives : Lives
        Any kind. With exact and running lives alone the masses are Kaplan–Meier's.

    Raises
    ------
    TurnbullNotDoneError
        The bound on the missing log-likelihood stays above 1e-9 a life, or counts lie too far
        apart for numbers to hold.

    References
    ----------
    B. W. Turnbull, J. Roy. Statist. Soc. B 38 (1976) 290.
    Y. Wang, J. Roy. Statist. Soc. B 69 (2007) 185.
    """
    inner = _innermost(lives)
    weight, total = inner.weight, lives.total
    places = inner.left.size
    if lives.stepwise:
        mass, gap = _of_steps(inner, lives)
    else:
        mass, gap = _solve(inner, places)
    kept = mass > 0
    mass = mass / mass.sum()
    sums = _sums(inner, mass)
    loglik = total * float(weight @ np.log(sums))
    return Turnbull(inner.left[kept], inner.right[kept], mass[kept], loglik, max(gap, 0.0) * total)


@dataclass(frozen=True, eq=False)
class _Inner:
    """Innermost intervals, and which of them each life spans: from `first` to before `end`."""

    left: Floats
    right: Floats
    first: Ints
    end: Ints
    weight: Floats
    must: Ints


def _innermost(lives: Lives) -> _Inner:
    """Find the innermost intervals; lives that span the same ones are put together."""
    low, high, exact = lives.lower, lives.upper, lives.exact
    values, rank = np.unique(np.concatenate([low, high]), return_inverse=True)
    rank = rank.reshape(2, -1)
    # At one value: an exact life begins, then intervals end, then intervals begin.
    begin = 3 * rank[0] + np.where(exact, 0, 2)
    finish = 3 * rank[1] + 1
    codes = np.unique(np.concatenate([begin, finish]))
    is_end = codes % 3 == 1
    inner = np.flatnonzero(~is_end[:-1] & is_end[1:])
    left, right = codes[inner], codes[inner + 1]
    first = np.searchsorted(left, begin, side="left")
    end = np.searchsorted(right, finish, side="right")
    key, back = np.unique(first * (left.size + 1) + end, return_inverse=True)
    weight = np.bincount(back, weights=lives.count) / lives.total
    first, end = key // (left.size + 1), key % (left.size + 1)
    return _Inner(values[left // 3], values[right // 3], first, end, weight, _stabbing(first, end))


def _stabbing(first: Ints, end: Ints) -> Ints:
    """Return few places such that every life spans one: the last of the span that ends first."""
    chosen: list[int] = []
    last = -1
    for k in np.argsort(end, kind="stable"):
        if first[k] > last:
            last = int(end[k]) - 1
            chosen.append(last)
    return np.array(chosen, dtype=np.int64)


def _sums(inner: _Inner, mass: Floats) -> Floats:
    """Return the probability of each life."""
    run = np.concatenate([[0.0], np.cumsum(mass)])
    # A sum up to the last place is better taken from that end: no large part is taken away.
    back = np.concatenate([np.cumsum(mass[::-1])[::-1], [0.0]])
    up, down = run[inner.end] - run[inner.first], back[inner.first] - back[inner.end]
    found: Floats = np.where(run[inner.first] < back[inner.end], up, down)
    one = inner.end - inner.first == 1
    return np.where(one, mass[inner.first], found)


def _slopes(inner: _Inner, sums: Floats, places: int) -> Floats:
    """Return by how much a life's log-likelihood rises with mass at each place; 1 at best."""
    if not (sums > 0).all():
        raise TurnbullNotDoneError(
            "counts lie so far apart that the lives of little weight have no share left",
            "leave those lives out, or correct their counts",
        )
    pull = inner.weight / sums
    change = np.bincount(inner.first, weights=pull, minlength=places + 1)
    change -= np.bincount(inner.end, weights=pull, minlength=places + 1)
    return np.cumsum(change[:places])


def _solve(inner: _Inner, places: int) -> tuple[Floats, float]:
    mass = np.zeros(places)
    mass[inner.must] = 1 / inner.must.size
    if inner.must.size > _DENSE:
        return _by_passes(inner, np.full(places, 1 / places))
    for _ in range(_FIRST):
        mass = mass * _slopes(inner, _sums(inner, mass), places)
    sums = _sums(inner, mass)
    value = float(inner.weight @ np.log(sums))
    gap = np.inf
    best, stale = (np.inf, mass), 0
    for _ in range(_MOST_STEPS):
        slope = _slopes(inner, sums, places)
        gap = float(slope.max()) - 1
        stale = 0 if gap < 0.5 * best[0] else stale + 1
        if gap < best[0]:
            best = (gap, mass)
        if gap <= _GAP or (gap <= _ROUNDING and stale > 3):
            break
        used = _candidates(mass, slope)
        if used.size > _DENSE:
            return _by_passes(inner, mass + 1e-3 / places)
        aim = np.zeros(places)
        aim[used] = _newton(inner, used, mass, slope, sums)
        step, moved = 1.0, False
        for _ in range(50):
            trial = np.where(step == 1, aim, mass + step * (aim - mass))
            there = _sums(inner, trial)
            if (there > 0).all():
                size = trial.sum()
                trial, there = trial / size, there / size
                new = float(inner.weight @ np.log(there))
                if new >= value - 1e-15 * abs(value):
                    moved = True
                    break
            step *= 0.4
        if not moved:
            break
        mass, sums, value = trial, there, new
    gap, mass = best
    if gap > _ROUNDING:
        mass, gap = _by_passes(inner, mass + 1e-6 / places)
    return mass, gap


def _of_steps(inner: _Inner, lives: Lives) -> tuple[Floats, float]:
    """Return Kaplan and Meier's steps, the answer where every end is exact."""
    survival = kaplan_meier(lives).survival
    mass = -np.diff(survival, prepend=1.0)
    if inner.left.size > mass.size:
        mass = np.append(mass, survival[-1] if survival.size else 1.0)
    slope = _slopes(inner, _sums(inner, mass), inner.left.size)
    return mass, float(slope.max()) - 1


def _candidates(mass: Floats, slope: Floats) -> Ints:
    """Return the places in use, and between each two of them the one of the highest slope."""
    used = np.flatnonzero(mass > 0)
    edges = np.concatenate([[0], used + 1])
    edges = edges[edges < slope.size]
    stretch = np.maximum.reduceat(np.where(mass > 0, -np.inf, slope), edges)
    part = np.repeat(np.arange(edges.size), np.diff(np.append(edges, slope.size)))
    top = np.flatnonzero((mass == 0) & (slope == stretch[part]) & (slope > 1))
    # Of equals one is enough.
    _, first = np.unique(part[top], return_index=True)
    return np.union1d(used, top[first])


def _newton(inner: _Inner, used: Ints, mass: Floats, slope: Floats, sums: Floats) -> Floats:
    """Maximise the quadratic model over masses of 0 or more at the used places."""
    k = used.size
    start, stop = np.searchsorted(used, inner.first), np.searchsorted(used, inner.end)
    spans = stop > start
    there = np.zeros((k, k))
    np.add.at(there, (start[spans], stop[spans] - 1), inner.weight[spans] / sums[spans] ** 2)
    # Lives that span both j and l ≥ j begin at j or before and end at l or after.
    upper = np.cumsum(np.cumsum(there[:, ::-1], axis=1)[:, ::-1], axis=0)
    gram = np.triu(upper) + np.triu(upper, 1).T
    scale = 1 / np.sqrt(np.diag(gram))
    gram = gram * np.outer(scale, scale)
    # Where lives can't tell places apart, stay near the masses there are.
    ridge = 1e-12 * k
    gram[np.diag_indices(k)] += ridge
    pull = (2 * slope[used] - 1) * scale + ridge * mass[used] / scale
    return _no_negative(gram, pull, 1e-13 * scale) * scale


def _no_negative(gram: Floats, pull: Floats, least: Floats) -> Floats:
    """Minimise ½xᵀGx − cᵀx over x of 0 or more, G positive definite; slopes of `least` are none.

    All variables that are on the wrong side change sides together; where that does not bring
    their number down, the last one alone, which always ends.

    References
    ----------
    J. J. Júdice, F. M. Pires, Computers & Operations Research 21 (1994) 587 (from memory).
    """
    size = pull.size
    free = np.ones(size, dtype=bool)
    fewest, chances = size + 1, 3
    x = np.zeros(size)
    for _ in range(20 * size + 100):
        chosen = np.flatnonzero(free)
        x[:] = 0.0
        x[chosen] = cho_solve(cho_factor(gram[np.ix_(chosen, chosen)]), pull[chosen])
        wrong = np.where(free, x < 0, gram @ x - pull < -least)
        number = int(wrong.sum())
        if not number:
            break
        if number < fewest:
            fewest, chances = number, 3
            free ^= wrong
        elif chances:
            chances -= 1
            free ^= wrong
        else:
            free[np.flatnonzero(wrong)[-1]] ^= True
    return np.maximum(x, 0.0)


def _pruned(inner: _Inner, mass: Floats, slope: Floats, gap: float) -> tuple[Floats, float]:
    """Leave out masses that passes bring down for ever, where nothing is lost by it."""
    less = np.where((mass < 1e-12) & (slope < 1), 0.0, mass)
    less /= less.sum()
    sums = _sums(inner, less)
    if not (sums > 0).all():
        return mass, gap
    now = float(_slopes(inner, sums, mass.size).max()) - 1
    return (less, now) if now <= _ROUNDING else (mass, gap)


def _by_passes(inner: _Inner, mass: Floats) -> tuple[Floats, float]:
    """Turnbull's own passes, sped up by extrapolation, for very many places of mass.

    References
    ----------
    R. Varadhan, C. Roland, Scand. J. Statist. 35 (2008) 335: squared extrapolation.
    """
    places = mass.size
    mass = mass / mass.sum()
    gap = np.inf
    for _ in range(_MOST_PASSES // 3):
        slope = _slopes(inner, _sums(inner, mass), places)
        gap = float(slope.max()) - 1
        if gap <= _GAP:
            return _pruned(inner, mass, slope, gap)
        once = mass * slope
        twice = once * _slopes(inner, _sums(inner, once), places)
        r, v = once - mass, twice - 2 * once + mass
        bent = float(np.linalg.norm(v))
        length = max(1.0, float(np.linalg.norm(r)) / bent) if bent > 0 else 1.0
        trial = mass + 2 * length * r + length**2 * v
        sums = _sums(inner, np.maximum(trial, 0))
        held = _sums(inner, twice)
        if (
            length > 1
            and (trial >= 0).all()
            and (sums > 0).all()
            and inner.weight @ np.log(sums / trial.sum()) >= inner.weight @ np.log(held)
        ):
            once = trial / trial.sum()
            mass = once * _slopes(inner, _sums(inner, once), places)
        else:
            mass = twice
    raise TurnbullNotDoneError(
        "the shares did not settle", "round the lives, so that many fall together"
    )
