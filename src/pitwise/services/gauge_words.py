"""What a gauge study says, in plain words, and what to do about it.

The bounds (10 % and 30 % of the tolerance or of the spread, five classes) are common practice,
no source.
"""

from __future__ import annotations

import math

from pitwise.measure.gauge import Component, GaugeStudy
from pitwise.services.study_order import Block

GOOD, USABLE = 10.0, 30.0
FEWEST_CLASSES = 5
FEW_PEOPLE = 3
# So few parts say little about what the gauge tells apart.
FEW_PARTS = 5


def length_text(value: float, unit: str) -> str:
    """Write a length to two figures with its unit, such as '0.021 mm' or '0.83 thou'."""
    return f"{_two(value)} {unit}"


def _two(value: float) -> str:
    if value == 0:
        return "0"
    digits = max(0, 1 - int(f"{value:e}".split("e")[1]))
    return f"{value:.{digits}f}"


def percent_text(value: float) -> str:
    """Write a percentage to a sensible figure."""
    if 0 < value < 1:
        return "under 1 %"
    return f"{value:.0f} %"


def sd_range(c: Component, unit: str) -> str:
    """Write a component's interval, '0.012 to 0.051 mm'; a dash where there is none."""
    if c.low is None or c.high is None:
        return "–"
    return f"{_two(c.low)} to {_two(c.high)} {unit}" if math.isfinite(c.high) else "no upper end"


def bounds(c: Component) -> str:
    """Write a component's interval without its unit; a dash where there is none."""
    if c.low is None or c.high is None:
        return "–"
    return f"{c.low:.3g} to {c.high:.3g}" if math.isfinite(c.high) else f"{c.low:.3g} up"


def says(g: GaugeStudy, unit: str) -> tuple[str, ...]:
    """Return what a study says, the most important first."""
    people = "this person" if g.people == 1 else f"any of these {g.people} people"
    they = "this person" if g.people == 1 else "these people"
    sure = f" (95 %: {sd_range(g.gauge, unit)})" if g.gauge.low is not None else ""
    out = [
        f"One reading by {people} scatters with a standard deviation of "
        f"{length_text(g.gauge.sd, unit)}{sure}. Nineteen readings in twenty lie within "
        f"{length_text(2 * g.gauge.sd, unit)} of what {they} would read on average.",
        f"Of what you see between parts, {percent_text(100 * g.gauge.share)} of the variance is "
        "the gauge and the people using it; the rest is the parts."
        if g.part.sd > 0
        else "What you see between parts is no more than the gauge and the people using it.",
    ]
    if g.gauge.percent_of_tolerance is not None:
        p = g.gauge.percent_of_tolerance
        word = "good" if p <= GOOD else "usable with care" if p <= USABLE else "not fit for it"
        if g.parts < FEW_PARTS and p <= USABLE:
            word = f"{g.parts} parts are too few to call that good"
        out.append(
            f"The gauge takes up {percent_text(p)} of the tolerance: {word} (bounds {GOOD:g} and "
            f"{USABLE:g} %: common practice, no source)."
        )
    if g.ndc is not None:
        few = "enough" if g.ndc >= FEWEST_CLASSES else f"fewer than {FEWEST_CLASSES}: too few"
        if g.parts < FEW_PARTS and g.ndc >= FEWEST_CLASSES:
            few = f"of {g.parts} parts, too few to judge the gauge by"
        out.append(
            f"It tells these parts apart into {g.ndc} class{'' if g.ndc == 1 else 'es'} ({few})."
        )
    return tuple(out)


def advice(g: GaugeStudy, unit: str, step: float) -> tuple[str, ...]:
    """Return what to do about it, what helps most first."""
    out = []
    own, between, both = g.repeatability, g.reproducibility, g.interaction
    if g.gauge.sd == 0:
        return (
            "Every reading of a part was the same: the gauge’s steps are too coarse to show any "
            "spread, or values were copied. Study it with a finer gauge or other parts.",
        )
    if g.parts < FEW_PARTS:
        out.append(
            f"Only {g.parts} parts were read: they may all be easy ones, or all hard. Take ten, "
            "from new to worn out."
        )
    if between is None:
        out.append("One person measured: how far others read otherwise is not known. Add people.")
    if between is not None and between.variance > own.variance:
        out.append(
            "People differ more from one another than from themselves: agree on how the gauge is "
            "zeroed and where the tip stands, write it down, then study again."
        )
    elif own.variance > 0:
        out.append(
            "The same person differs most from themselves: look at the gauge (play, a worn tip, a "
            "dirty seat), at how it is held, and clean the part before each reading."
        )
    if both is not None and both.variance > own.variance:
        out.append(
            "Some people read some parts differently: look at those parts in the picture below; "
            "a ragged floor has no one depth."
        )
    if step > 0 and step > 2 * own.sd:
        out.append(
            f"The gauge steps by {length_text(step, unit)}, coarser than a person’s own scatter: "
            "a gauge with finer steps would show more."
        )
    if g.ndc is not None and g.ndc < FEWEST_CLASSES:
        out.append(
            "Few classes: either the gauge is too coarse for these parts, or the parts chosen "
            "were too alike. Take parts from new to worn out."
        )
    if between is not None and g.people <= FEW_PEOPLE:
        out.append(
            f"With {g.people} people, how people differ is known only roughly: "
            f"{sd_range(between, unit)}. Five or more would tell it better."
        )
    out.append(
        "The mean of two readings by the same person takes their own scatter down by three "
        "tenths. A study sees spread only: whether all read wrong alike, a block or pin of known "
        "size tells."
    )
    return tuple(out)


def left_out_words(block: Block, people: tuple[str, ...], parts: int, trials: int) -> str:
    """Say what of a study was not complete and is not reckoned with; empty for nothing."""
    out = []
    missing = [str(p) for p in range(1, parts + 1) if p not in block.parts]
    if missing:
        out.append(f"part{'' if len(missing) == 1 else 's'} {', '.join(missing)}")
    away = [name for k, name in enumerate(people) if k not in block.people]
    if away:
        out.append(", ".join(away))
    if block.trials < trials:
        rounds = [str(t) for t in range(block.trials + 1, trials + 1)]
        out.append(f"round{'' if len(rounds) == 1 else 's'} {', '.join(rounds)}")
    return "; ".join(out)
