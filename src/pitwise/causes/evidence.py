"""What has been looked at, and its compiled form: weights of causes and facts to be explained.

Not looked at is not absent: a finding that stands nowhere in the evidence has no part in the sums.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from pitwise.causes.network import Floats, Network, NetworkError

# Of two weights of one cause the lesser counts for no less than this, unless it is 0 outright:
# hundreds of absent findings would round it to 0 and make possible evidence impossible.
LEAST_WEIGHT = 1e-200
# Weights above this need no scale taken out.
_SAFE = 1e-30
_SLACK = 1e-9


@dataclass(frozen=True)
class Soft:
    """A finding told by a reading: two likelihoods, of which only the ratio counts.

    Attributes
    ----------
    finding : int
        Index of the finding.
    if_present, if_absent : float
        Likelihood of the reading when the finding is there and when it is not: finite, ≥ 0,
        not both 0.
    """

    finding: int
    if_present: float
    if_absent: float


@dataclass(frozen=True, eq=False)
class Grade:
    """A graded finding as seen (noisy-MAX: the worst that any cause alone would have made).

    Attributes
    ----------
    finding : int
        Index of the finding. Its link and leak in the network are not used.
    grade : int
        The grade seen, 0 (absent) to g − 1.
    cum : (n, g) or (B, n, g) array
        P(grade ≤ column | this cause alone), rising to 1; all ones for a cause not linked.
    cum_leak : (g,) or (B, g) array
        The same for the leak.
    """

    finding: int
    grade: int
    cum: Floats
    cum_leak: Floats


@dataclass(frozen=True)
class Evidence:
    """What was found of a network's findings.

    Attributes
    ----------
    seen, absent : frozenset of int
        Findings seen, and findings looked for and absent.
    soft : tuple of Soft
        Findings told by readings. Several of one finding multiply.
    grades : tuple of Grade
        Graded findings, one for each finding at most.
    groups : tuple of frozenset of int
        Findings that are one fact seen more than once; no finding in two of them.
    """

    seen: frozenset[int] = frozenset()
    absent: frozenset[int] = frozenset()
    soft: tuple[Soft, ...] = ()
    grades: tuple[Grade, ...] = ()
    groups: tuple[frozenset[int], ...] = ()

    def looked_at(self) -> frozenset[int]:
        """Return every finding that tells something."""
        return (
            self.seen
            | self.absent
            | {s.finding for s in self.soft}
            | {g.finding for g in self.grades}
        )

    def settled(self) -> frozenset[int]:
        """Return every finding that has nothing more to tell.

        Those looked at, and those of a group with a member seen, graded above absent, or read
        as there. An absent member, or one read as absent, settles its own sign only: a weak
        sign that is not there leaves the stronger open.
        """
        telling = (
            self.seen
            | {g.finding for g in self.grades if g.grade}
            | {s.finding for s in self.soft if s.if_present > s.if_absent}
        )
        return self.looked_at().union(*(g for g in self.groups if g & telling))


class Item(NamedTuple):
    """One fact of the evidence: a finding, or several that are one fact.

    Attributes
    ----------
    kind : "seen", "absent", "soft" or "grade"
        How it is known.
    findings : tuple of int
        The findings it stands for, in order.
    """

    kind: Literal["seen", "absent", "soft", "grade"]
    findings: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Compiled:
    """Evidence in the form the sums run on; each array's first axis is B or 1 (the same for all).

    Attributes
    ----------
    weight_off, weight_on : (B, n) array
        Weight of a cause being away and at work: its prior and all that is absent. Where one of
        them is tiny, scaled so that the greater is 1.
    q : (B, k, n) array
        Chance that a cause at work explains each fact that must be explained.
    leak : (B, k) array
        Chance that the fact needs no explanation.
    close_unexplained, close_explained : (B, k) array
        What a fact left unexplained, and one explained, weighs at its end: 0 and 1 when seen.
    log_constant : (B,) array
        Natural logarithm of what was taken out of all weights.
    prior : (B, n) array
        The causes' priors, to weigh anew when a fact is left out.
    opened : tuple of Item
        The k facts.
    rows : (a, n) or (B, a, n) array
        Logarithm of the factor by which each absent fact (or grade) changes `weight_on`.
    row_constants : (a,) or (B, a) array
        Its share of `log_constant`.
    closed : tuple of Item
        The a facts of `rows`.
    """

    weight_off: Floats
    weight_on: Floats
    q: Floats
    leak: Floats
    close_unexplained: Floats
    close_explained: Floats
    log_constant: Floats
    prior: Floats
    opened: tuple[Item, ...] = ()
    rows: Floats = field(default_factory=lambda: np.zeros((1, 0, 0)))
    row_constants: Floats = field(default_factory=lambda: np.zeros((1, 0)))
    closed: tuple[Item, ...] = ()

    def telling(self) -> npt.NDArray[np.intp]:
        """Return how many facts (n,) that are there are linked to each cause.

        There: seen, graded above absent, or read as there rather than not. Several findings
        that are one fact count once; what is absent, or not linked to the cause, does not.
        """
        there = (self.close_explained > self.close_unexplained)[..., None]
        count: npt.NDArray[np.intp] = ((self.q > 0) & there).any(axis=0).sum(axis=0)
        return count


def compile_evidence(
    network: Network,
    evidence: Evidence,
    prior: Floats | None = None,
    leak: Floats | None = None,
    link: Floats | None = None,
) -> Compiled:
    """Return the evidence compiled for a network.

    Parameters
    ----------
    network : Network
        The network.
    evidence : Evidence
        What was found.
    prior, leak, link : (B, n), (B, m), (B, n, m) array, optional
        Numbers in place of the network's own, B sets of them at once (1 for the same in all).

    Notes
    -----
    Groups: seen members are one fact whose link and leak are the greatest of theirs; so are
    absent members. A seen member speaks for the readings (`Soft`) of its group, and so does an
    absent one; the worst grade speaks for what else of its group is seen or read. What is
    absent of a group stays a fact beside what is seen or graded of it.

    A grade g of a noisy-MAX finding is "no more than g" (a factor of each cause's weight, as
    absent findings are) and "no less than g" (a fact to be explained, with the chance
    1 − P(≤ g−1)/P(≤ g) of each cause).

    Raises
    ------
    NetworkError
        If the evidence does not fit the network.
    """
    prior = network.prior[None] if prior is None else prior
    leak = network.leak[None] if leak is None else leak
    link = network.link[None] if link is None else link
    _check(network, evidence)
    seen, absent, softs, grades = _facts(evidence)

    opened = [Item("seen", f) for f in seen] + [Item("soft", f) for f in softs]
    closed = [Item("absent", f) for f in absent]
    q = _strongest(link, opened)
    leaks = _strongest(leak, opened)
    close_u = np.array([[0.0] * len(seen) + [lo for _, lo in softs.values()]])
    close_e = np.array([[1.0] * len(seen) + [hi for hi, _ in softs.values()]])
    if closed:
        with np.errstate(divide="ignore"):
            rows = np.log1p(-_strongest(link, closed))
            constants = np.log1p(-_strongest(leak, closed))
    else:
        rows, constants = np.zeros((1, 0, len(network.prior))), np.zeros((1, 0))
    for grade in grades:
        item, cum, cum_leak = _tables(grade, len(network.prior))
        with np.errstate(divide="ignore"):
            closed.append(item)
            rows = _joined(rows, np.log(cum[:, None, :, grade.grade]))
            constants = _joined(constants, np.log(cum_leak[:, grade.grade, None]))
        if grade.grade:
            opened.append(item)
            q = _joined(q, _reached(cum, grade.grade)[:, None])
            leaks = _joined(leaks, _reached(cum_leak, grade.grade)[:, None])
            close_u = _joined(close_u, np.zeros((1, 1)))
            close_e = _joined(close_e, np.ones((1, 1)))
    on, off, log_constant = _weights(prior, rows)
    return Compiled(
        off,
        on,
        q,
        leaks,
        close_u,
        close_e,
        log_constant + constants.sum(axis=1),
        prior,
        tuple(opened),
        rows,
        constants,
        tuple(closed),
    )


def _weights(prior: Floats, rows: Floats) -> tuple[Floats, Floats, Floats | float]:
    """Return weights as they are where that is safe, else as `weights` makes them."""
    on, off = prior, 1.0 - prior
    if rows.shape[1]:
        on = on * np.exp(rows.sum(axis=1))
    if on.size and min(on.min(), off.min()) > _SAFE:
        return on, off, 0.0
    with np.errstate(divide="ignore"):
        return weights(np.log(prior) + rows.sum(axis=1), np.log1p(-prior))


def _tables(grade: Grade, n: int) -> tuple[Item, Floats, Floats]:
    cum = np.asarray(grade.cum, dtype=np.float64)
    return (
        Item("grade", (grade.finding,)),
        cum.reshape((-1, n, cum.shape[-1])),
        np.atleast_2d(np.asarray(grade.cum_leak, dtype=np.float64)),
    )


def weights(log_on: Floats, log_off: Floats) -> tuple[Floats, Floats, Floats]:
    """Return a cause's two weights, the greater one 1, and the logarithm of what was taken out.

    Parameters
    ----------
    log_on, log_off : (B, n) array
        Logarithms of the weights; −∞ for none.
    """
    log_on, log_off = np.broadcast_arrays(log_on, log_off)
    top = np.maximum(log_on, log_off)
    taken = top.sum(axis=-1)
    if not np.isfinite(taken).all():
        top = np.where(np.isfinite(top), top, 0.0)
    on, off = np.exp(log_on - top), np.exp(log_off - top)
    if (on < LEAST_WEIGHT).any() or (off < LEAST_WEIGHT).any():
        on = np.where(np.isfinite(log_on), np.maximum(on, LEAST_WEIGHT), on)
        off = np.where(np.isfinite(log_off), np.maximum(off, LEAST_WEIGHT), off)
    return on, off, taken


def _joined(first: Floats, second: Floats) -> Floats:
    """Return two arrays as one along the second axis, batches of 1 made as large as the other."""
    batch = max(len(first), len(second))
    wide = [np.broadcast_to(p, (batch, *p.shape[1:])) for p in (first, second)]
    return np.concatenate(wide, axis=1)


def _reached(cum: Floats, grade: int) -> Floats:
    """Return P(grade ≥ g | grade ≤ g) of cumulative chances on the last axis."""
    upto = cum[..., grade]
    with np.errstate(invalid="ignore"):
        return np.where(upto > 0, (upto - cum[..., grade - 1]) / upto, 0.0)


def _strongest(values: Floats, items: list[Item]) -> Floats:
    """Return (…, facts[, n]): the greatest link or leak among the findings of each fact."""
    out = values[..., [item.findings[0] for item in items]]
    if values.ndim == 3:
        out = out.swapaxes(1, 2)
    for i, item in enumerate(items):
        if len(item.findings) > 1:
            out[:, i] = values[..., list(item.findings)].max(axis=-1)
    return out


def _facts(
    evidence: Evidence,
) -> tuple[
    list[tuple[int, ...]],
    list[tuple[int, ...]],
    Mapping[tuple[int, ...], tuple[float, float]],
    list[Grade],
]:
    """Return the facts: seen, absent, told by readings (present, absent), graded."""
    graded = {g.finding: g for g in evidence.grades}
    seen, absent = set(evidence.seen), set(evidence.absent)
    softs: dict[int, tuple[float, float]] = {}
    for s in evidence.soft:
        hi, lo = softs.get(s.finding, (1.0, 1.0))
        top = max(hi * s.if_present, lo * s.if_absent) or 1.0
        softs[s.finding] = (hi * s.if_present / top, lo * s.if_absent / top)
    for finding in [f for f in softs if f in seen or f in absent or f in graded]:
        del softs[finding]
    facts: dict[str, list[tuple[int, ...]]] = {"seen": [], "absent": []}
    told: dict[tuple[int, ...], tuple[float, float]] = {}
    for group in evidence.groups:
        worst, spare = _grades_of(graded, group, bool(group & absent))
        for f in spare:
            del graded[f]
        if worst:
            seen -= group
        hard = (group & seen, group & absent)
        if hard[0]:
            facts["seen"].append(tuple(sorted(hard[0])))
            seen -= hard[0]
        if hard[1]:
            facts["absent"].append(tuple(sorted(hard[1])))
            absent -= hard[1]
        read = sorted(f for f in group if f in softs)
        values = [softs.pop(f) for f in read]
        if read and not (hard[0] or hard[1] or group & graded.keys()):
            hi = float(np.prod([v[0] for v in values]))
            lo = float(np.prod([v[1] for v in values]))
            told[tuple(read)] = (hi, lo)
    told.update({(f,): value for f, value in softs.items()})
    return (
        sorted([*facts["seen"], *((f,) for f in seen)]),
        sorted([*facts["absent"], *((f,) for f in absent)]),
        dict(sorted(told.items())),
        [graded[f] for f in sorted(graded)],
    )


def _grades_of(
    graded: Mapping[int, Grade], group: frozenset[int], some_absent: bool
) -> tuple[bool, list[int]]:
    """Return whether some grade of a group is above absent, and the grades others speak for."""
    there = sorted((-graded[f].grade, f) for f in group if f in graded and graded[f].grade)
    none = sorted(f for f in group if f in graded and not graded[f].grade)
    return bool(there), [f for _, f in there[1:]] + none[0 if some_absent else 1 :]


def _check(network: Network, evidence: Evidence) -> None:
    m = len(network.leak)

    def known(place: str, findings: Collection[int]) -> None:
        if findings and not (min(findings) >= 0 and max(findings) < m):
            f = next(f for f in findings if not 0 <= f < m)
            raise NetworkError(place, f"no finding {f}", f"findings are numbered 0 to {m - 1}")

    known("seen", evidence.seen)
    known("absent", evidence.absent)
    both = evidence.seen & evidence.absent
    if both:
        raise NetworkError(
            "evidence",
            f"'{network.findings[min(both)]}' is both seen and absent",
            "keep one of the two",
        )
    for i, s in enumerate(evidence.soft):
        known(f"soft[{i}]", [s.finding])
        pair = np.array([s.if_present, s.if_absent])
        if not (np.isfinite(pair).all() and (pair >= 0).all() and pair.any()):
            raise NetworkError(
                f"soft[{i}]",
                f"likelihoods {s.if_present:g} and {s.if_absent:g}",
                "give finite numbers from 0, not both 0",
            )
    done: set[int] = set()
    for i, grade in enumerate(evidence.grades):
        known(f"grades[{i}]", [grade.finding])
        _check_grade(network, grade, f"grades[{i}]")
        if grade.finding in done or grade.finding in evidence.seen | evidence.absent:
            raise NetworkError(
                f"grades[{i}]",
                f"'{network.findings[grade.finding]}' is in the evidence already",
                "give a finding once",
            )
        done.add(grade.finding)
    members = [f for group in evidence.groups for f in group]
    known("groups", members)
    if len(members) != len(set(members)):
        raise NetworkError("groups", "a finding is in two groups", "keep it in one")


def _check_grade(network: Network, grade: Grade, place: str) -> None:
    n = len(network.prior)
    cum, leak = np.asarray(grade.cum), np.asarray(grade.cum_leak)
    if cum.ndim not in (2, 3) or leak.ndim not in (1, 2) or cum.shape[-2] != n:
        raise NetworkError(place, f"cum of shape {cum.shape}", f"give ({n}, grades)")
    if cum.shape[-1] != leak.shape[-1] or not 0 <= grade.grade < cum.shape[-1]:
        raise NetworkError(
            place, f"grade {grade.grade} of {cum.shape[-1]}", "count grades from 0, in both tables"
        )
    for name, table in (("cum", cum), ("cum_leak", leak)):
        if not ((table >= 0) & (table <= 1)).all() or (np.diff(table, axis=-1) < 0).any():
            raise NetworkError(f"{place}.{name}", "not rising from 0 to 1", "give P(grade ≤ …)")
        if (table[..., -1] < 1 - _SLACK).any():
            raise NetworkError(f"{place}.{name}", "does not end in 1", "the last grade is ≤ itself")
