"""Use counters: starts and arc minutes as shown, resets handled, slips questioned."""

from __future__ import annotations

from dataclasses import dataclass

# A start with its pierce and its move takes at least this long (common practice, no source).
_LEAST_SECONDS_PER_START = 2.0


@dataclass(frozen=True)
class CounterReading:
    """What a torch's counters show, and the totals they stand for.

    Attributes
    ----------
    starts, arc_minutes : float
        As shown on the counter; None where it was not read.
    total_starts, total_minutes : float
        Since the torch came into the book, resets bridged.
    """

    starts: int | None
    arc_minutes: float | None
    total_starts: int
    total_minutes: float


@dataclass(frozen=True)
class UseSlip:
    """A question about a counter reading."""

    code: str
    text: str


def advance(
    last: CounterReading | None,
    starts: int | None,
    arc_minutes: float | None,
    *,
    reset: bool,
) -> CounterReading:
    """Carry the totals on to a new counter reading.

    Parameters
    ----------
    last : CounterReading or None
        The reading before; None for the first, whose totals begin at zero use.
    starts, arc_minutes : int, float or None
        As shown now; None when not read, which leaves that total as it was.
    reset : bool
        True when the counter was set to zero since `last`: what it shows now is all use
        since the reset; use between `last` and the reset is unknown and counts nothing.

    Returns
    -------
    CounterReading

    Raises
    ------
    ValueError
        A counter that runs backwards without a reset.
    """
    if last is None:
        return CounterReading(starts, arc_minutes, 0, 0.0)

    def step(before: float | None, now: float | None) -> float:
        if now is None:
            return 0.0
        if reset or before is None:
            return now if reset else 0.0
        if now < before:
            raise ValueError("counter runs backwards")
        return now - before

    return CounterReading(
        starts if starts is not None else (0 if reset else last.starts),
        arc_minutes if arc_minutes is not None else (0.0 if reset else last.arc_minutes),
        last.total_starts + int(step(last.starts, starts)),
        last.total_minutes + step(last.arc_minutes, arc_minutes),
    )


def use_slips(
    last: CounterReading | None,
    starts: int | None,
    arc_minutes: float | None,
    *,
    reset: bool,
    elapsed_minutes: float | None,
) -> tuple[UseSlip, ...]:
    """Question a counter reading that can't be right.

    Parameters
    ----------
    last : CounterReading or None
    starts, arc_minutes : int, float or None
        As shown now.
    reset : bool
        The person says the counter was reset.
    elapsed_minutes : float or None
        Minutes on the clock since `last`.

    Returns
    -------
    tuple of UseSlip
        Codes ``counter-backwards`` and ``more-than-the-clock``.
    """
    slips = []
    if last is None:
        return ()
    for name, before, now in (
        ("starts", last.starts, starts),
        ("arc minutes", last.arc_minutes, arc_minutes),
    ):
        if now is not None and before is not None and now < before and not reset:
            slips.append(
                UseSlip(
                    "counter-backwards",
                    f"The counter shows {now:g} {name}, fewer than the {before:g} of "
                    "last time. Was it reset, or is a digit wrong?",
                )
            )
            break
    if elapsed_minutes is not None and not slips:
        base_s = 0 if reset or last.starts is None else last.starts
        base_m = 0.0 if reset or last.arc_minutes is None else last.arc_minutes
        more_starts = (starts - base_s) if starts is not None and last.starts is not None else 0
        more_minutes = (
            arc_minutes - base_m
            if arc_minutes is not None and last.arc_minutes is not None
            else 0.0
        )
        if more_starts * _LEAST_SECONDS_PER_START / 60 > elapsed_minutes + 1:
            slips.append(
                UseSlip(
                    "more-than-the-clock",
                    f"{more_starts} starts in {elapsed_minutes:.0f} minutes on the "
                    "clock is more than a torch can do: is a digit wrong?",
                )
            )
        elif more_minutes > elapsed_minutes + 1:
            slips.append(
                UseSlip(
                    "more-than-the-clock",
                    f"{more_minutes:g} arc minutes in {elapsed_minutes:.0f} minutes on "
                    "the clock can't be: is a digit wrong?",
                )
            )
    return tuple(slips)
