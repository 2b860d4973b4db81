"""Judge what photos gave of a hole or a pit against the limits in force."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal

from pitwise.bench.model import Flag, HoleReading, HoleVerdict, Reason
from pitwise.measure.conformity import Conformity, judge_mean
from pitwise.trade.model import Limit, ProcessSelector, Sheet
from pitwise.trade.quantities import HOLE_QUANTITIES, WORDS

JCGM = "JCGM 106:2012, decision rules with guard bands"
_SHOWN = "Pitwise rule: without a limit a number is shown and decides nothing"
# A hole found smaller than new by more than this many standard uncertainties is asked about.
_SMALLER = 2.0
SMALLER_THAN_NEW = "hole-smaller-than-new"


def merged(readings: Iterable[HoleReading]) -> tuple[HoleReading, ...]:
    """Average repeats of each quantity, in the order of `HOLE_QUANTITIES`.

    Notes
    -----
    Photos of one hole share rim, camera and light, so their errors may be one error: the
    mean's standard uncertainty is taken as for fully correlated repeats, the mean of theirs
    (JCGM 100:2008, 5.2.2 note 1; number from memory), and is unknown when one of them is.
    """
    kept = list(readings)
    out = []
    for quantity in HOLE_QUANTITIES:
        own = [r for r in kept if r.quantity == quantity]
        if not own:
            continue
        us = [r.u_mm for r in own if r.u_mm is not None]
        floors = [r.floor_mm for r in own if r.floor_mm is not None]
        singles = [
            (r.single_mm, r.single_u_mm)
            for r in own
            if r.single_mm is not None and r.single_u_mm is not None
        ]
        single = max(singles, key=lambda s: s[0] - s[1], default=(None, None))
        out.append(
            HoleReading(
                quantity,
                sum(r.value_mm for r in own) / len(own),
                sum(us) / len(us) if len(us) == len(own) else None,
                max(floors) if floors else None,
                sum(r.photos for r in own),
                *single,
            )
        )
    return tuple(out)


def said(value_mm: float, u_mm: float | None, *, with_u: bool = False) -> str:
    """Write a measured length with its range (2 u either way), and u itself where asked."""
    if u_mm is None:
        return f"{value_mm:.3f} mm (no uncertainty known)"
    u = f" (u {small(u_mm)})" if with_u else ""
    return f"{value_mm:.3f} mm ± {small(2 * u_mm)}{u}"


def small(length_mm: float) -> str:
    """Write an uncertainty; what the last digit can't show is 'under' it, never nothing."""
    return "under 0.001 mm" if length_mm < 0.001 else f"{length_mm:.3f} mm"


def _chance(c: Conformity) -> str:
    if c.p_over is None:
        return "unknown"
    return "under 0.1 %" if c.p_over < 0.001 else f"{100 * c.p_over:.1f} %"


def _reason(reading: HoleReading, c: Conformity, limit: Limit, risk: float) -> Reason:
    name = WORDS[reading.quantity].name.capitalize()
    photos = "" if reading.photos == 1 else f", from {reading.photos} photos"
    read = f"{name} {said(reading.value_mm, reading.u_mm, with_u=True)}{photos}"
    if reading.floor_mm is not None:
        read += f", noise floor {reading.floor_mm:.3f} mm,"
    side = "at or above" if limit.compare == ">=" else "above"
    bound = f"{limit.quoted()} ({limit.process.words()}: replace {side})"
    if c.rule == "over-limit":
        return Reason(
            f"hole-over-limit-{reading.quantity}",
            f"{read} is {side} the limit {bound}.",
            limit.source,
            "replace",
        )
    doubt = (
        f"{read} is below the limit {bound}, but the chance that the true value is over is "
        f"{_chance(c)}, more than the accepted {100 * risk:g} %"
    )
    if c.rule == "may-be-over":
        return Reason(
            f"hole-may-be-over-{reading.quantity}",
            f"{doubt}. Take another photo: repeats average.",
            JCGM,
            "recheck",
        )
    if c.rule == "still-may-be-over":
        return Reason(
            f"hole-still-may-be-over-{reading.quantity}",
            f"{doubt}, after repeats too.",
            JCGM,
            "replace",
        )
    tail = "" if c.p_over is None else f" Chance of being over: {_chance(c)}."
    return Reason(
        f"hole-within-limit-{reading.quantity}",
        f"{read} is below the limit {bound}.{tail}",
        limit.source,
        "keep",
    )


def _single_over(reading: HoleReading, limit: Limit) -> Reason | None:
    """Hold the plain rule on the worst single photo: one over the limit is not averaged away."""
    if reading.photos < 2 or reading.single_mm is None or reading.single_u_mm is None:
        return None
    least = Decimal(f"{reading.single_mm - reading.single_u_mm:.6f}")
    if judge_mean(least, 1, limit, None, 0.05).rule != "over-limit":
        return None
    name = WORDS[reading.quantity].name.capitalize()
    side = "at or above" if limit.compare == ">=" else "above"
    return Reason(
        f"hole-over-limit-{reading.quantity}",
        f"{name}: one photo reads {said(reading.single_mm, reading.single_u_mm)}, {side} the limit "
        f"{limit.quoted()} ({limit.process.words()}: replace {side}) by more than its uncertainty; "
        f"all {reading.photos} together read {said(reading.value_mm, reading.u_mm)}. Look at its "
        "picture: a photo that is wrong is taken out.",
        limit.source,
        "replace",
    )


def judge_holes(
    sheet: Sheet,
    part: str,
    readings: Iterable[HoleReading],
    process: ProcessSelector,
    answered: frozenset[str],
) -> tuple[tuple[HoleVerdict, ...], list[Reason], list[Flag]]:
    """Judge every length measured on a part.

    Returns
    -------
    verdicts : tuple of HoleVerdict
        One for each quantity measured.
    reasons : list of Reason
        One for each; 'keep' and saying so where no limit is in force.
    flags : list of Flag
        A hole smaller than new by more than its uncertainty is questioned.
    """
    risk = float(sheet.constant("accepted-risk"))
    verdicts, reasons, flags = [], [], []
    for reading in merged(readings):
        limit = sheet.limit_for(part, reading.quantity, process)
        if limit is None:
            verdicts.append(HoleVerdict(reading))
            if reading.quantity in ("orifice-diameter", "pit-diameter"):
                # A diameter is judged by its growth; alone it is a fact, no reason.
                continue
            name = WORDS[reading.quantity].name.capitalize()
            reasons.append(
                Reason(
                    f"hole-no-limit-{reading.quantity}",
                    f"{name} {said(reading.value_mm, reading.u_mm, with_u=True)}: no limit is "
                    "entered for it, so it is shown and decides nothing.",
                    _SHOWN,
                    "keep",
                )
            )
        else:
            value = Decimal(f"{reading.value_mm:.6f}")
            c = judge_mean(value, reading.photos, limit, reading.u_mm, risk)
            verdicts.append(HoleVerdict(reading, limit, c))
            over = None if c.rule == "over-limit" else _single_over(reading, limit)
            reasons.append(over or _reason(reading, c, limit, risk))
        if reading.quantity == "orifice-growth" and reading.value_mm < -_SMALLER * (
            reading.u_mm or 0.0
        ):
            flags.append(
                Flag(
                    SMALLER_THAN_NEW,
                    f"The hole is read {-reading.value_mm:.3f} mm smaller than when new. Holes "
                    "do not shrink: is it this part type, its rim and its hole when new right, "
                    "and nothing stuck in the hole?",
                    part,
                    answered=SMALLER_THAN_NEW in answered,
                )
            )
    return tuple(verdicts), reasons, flags
