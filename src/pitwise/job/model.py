"""What a cut program is counted into, and the settings it is counted by."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any

# Bounds that no real program comes near; past them a file is refused, not followed.
MAX_LINE = 4096
MAX_MM = 1e7
MAX_DWELL_S = 86_400.0
MAX_MOVE_S = 1e7
MAX_CUTS = 1_000_000
# A table slower than this is a slip of the pen; moves across 10 km still end.
LEAST_RATE = 1e-3
MAX_STEPS = 1_000_000
MAX_BUFFERED_LINES = 2_000_000
MAX_CALLS = 50
MAX_NESTING = 50

# Values of words beside a torch code are the same within this: expressions may round.
CODE_TOLERANCE = 1e-6
_CODE = re.compile(r"([A-Z])0*(\d+(?:\.\d+)?)((?:[A-Z][-+]?(?:\d+\.?\d*|\.\d+))*)")
_CODE_WORD = re.compile(r"([A-Z])([-+]?[\d.]+)")


def printable(text: str) -> str:
    """Return a text that any terminal or page may show: what can't be printed becomes a mark.

    A name or a piece of a file may hold escape sequences, line ends, marks that turn the
    direction of writing, or halves of characters; shown raw they would rule the screen.
    """
    return text if text.isprintable() else "".join(x if x.isprintable() else "�" for x in text)


def figure(value: float) -> str:
    """Return a number as a program would write it, not rounded to what is pleasant to read."""
    return f"{value:.15g}"


class ProgramError(ValueError):
    """A program that can't be counted, with the line and the mend.

    Attributes
    ----------
    line : int
        Line of the file, from 1; 0 when the file as a whole is meant.
    problem, mend : str
        What they quote of the file can be printed.
    """

    def __init__(self, line: int, problem: str, mend: str) -> None:
        self.line = line
        self.problem = problem = printable(problem)
        self.mend = mend = printable(mend)
        place = f"line {line}: " if line else ""
        super().__init__(f"{place}{problem}; {mend}")


@dataclass(frozen=True, slots=True)
class TorchCode:
    """A word that lights or quenches the torch, with the words that must stand beside it."""

    letter: str
    number: float
    beside: tuple[tuple[str, float], ...]


def torch_code(text: str) -> TorchCode:
    """Read a torch code such as ``M3``, ``M03`` or ``M64 P1``.

    The words beside it are put in order: ``M64 P1 Q2`` and ``M64 Q2 P1`` are one code.

    Raises
    ------
    ValueError
        Anything but an M word, perhaps followed by words of other letters; with the mend.
    """
    found = _CODE.fullmatch("".join(text.split()).upper())
    shown = printable(text)
    if found is None or found[1] != "M":
        raise ValueError(f"'{shown}' is no torch code: write an M word, such as M3 or 'M64 P1'")
    try:
        number = float(found[2])
        beside = sorted((x[1], float(x[2])) for x in _CODE_WORD.finditer(found[3]))
    except ValueError as error:
        raise ValueError(
            f"'{shown}' holds a word whose number can't be read: write it like 'M64 P1'"
        ) from error
    letters = [letter for letter, _ in beside]
    for letter in letters:
        if letter in "GMNO":
            raise ValueError(
                f"'{shown}' can never match: a code is one M word, and no {letter} word stands "
                "beside it; write two M words as two codes, such as M3 and M4"
            )
        if letters.count(letter) > 1:
            raise ValueError(f"'{shown}' holds two {letter} words: leave one of them")
    if not number < 10_000:
        raise ValueError(f"'{shown}' can never match: write a code below M10000")
    return TorchCode(found[1], number, tuple(beside))


def _same(a: TorchCode, b: TorchCode) -> bool:
    """Say whether two codes match the same lines."""
    return (
        a.number == b.number
        and len(a.beside) == len(b.beside)
        and all(
            x[0] == y[0] and abs(x[1] - y[1]) < 2 * CODE_TOLERANCE
            for x, y in zip(a.beside, b.beside, strict=True)
        )
    )


@dataclass(frozen=True)
class ReaderSettings:
    """How a station lights its torch and moves.

    Attributes
    ----------
    on_codes, off_codes : tuple of str
        Words that light and quench the torch: an M word, perhaps with words that must stand
        on the same line (``"M64 P1"``).
    accel_mm_s2 : float or None
        Acceleration along the path, mm/s². None: times are length / feed.
    corner_tolerance_mm : float
        How far the path may leave a corner to round it, mm; used with `accel_mm_s2`.
    rapid_mm_min : float or None
        Speed of rapid moves, mm/min. None: they take no time, only length.
    """

    on_codes: tuple[str, ...] = ("M3",)
    off_codes: tuple[str, ...] = ("M5",)
    accel_mm_s2: float | None = None
    corner_tolerance_mm: float = 0.1
    rapid_mm_min: float | None = None

    def __post_init__(self) -> None:
        """Refuse settings that can't be."""
        if not self.on_codes or not self.off_codes:
            raise ValueError("name at least one code that lights and one that quenches the torch")
        for on in self.on_codes:
            for off in self.off_codes:
                if _same(torch_code(on), torch_code(off)):
                    raise ValueError(
                        f"one code can't both light and quench the torch: '{printable(on)}' and "
                        f"'{printable(off)}' are the same; leave one of them"
                    )
        for name, value in (("accel_mm_s2", self.accel_mm_s2), ("rapid_mm_min", self.rapid_mm_min)):
            if value is not None and not (math.isfinite(value) and value >= LEAST_RATE):
                raise ValueError(f"{name} must be a number above 0, of {LEAST_RATE:g} or more")
        if not (math.isfinite(self.corner_tolerance_mm) and self.corner_tolerance_mm >= 0):
            raise ValueError("corner_tolerance_mm must be a number of 0 or more")


@dataclass(frozen=True, slots=True)
class Cut:
    """One lighting of the torch, to its quenching.

    Attributes
    ----------
    line : int
        Line that lights the torch.
    length_mm : float
        Length moved while lit.
    seconds : float
        Arc burning, dwell included.
    pierce_seconds : float
        Dwell while lit, before the cut's first move.
    """

    line: int
    length_mm: float
    seconds: float
    pierce_seconds: float


@dataclass(frozen=True, slots=True)
class ProgramWarning:
    """Something in the program that the count may be wrong about."""

    line: int
    code: str
    text: str


@dataclass(frozen=True)
class ProgramCount:
    """What one run of a program asks of the torch.

    Attributes
    ----------
    starts : int
        Times the arc is lit.
    cut_length_mm : float
        Length moved while lit, in three dimensions.
    arc_minutes, pierce_minutes : float
        Arc burning, all dwell included; of it the dwell before the first move of each cut.
    rapid_length_mm, rapid_minutes : float
        Moves by G0 (and to the reference point) with the arc out.
    cuts : tuple of Cut
    warnings : tuple of ProgramWarning
    dry_length_mm, dry_minutes : float
        Moves at a feed with the arc out.
    lines : int
        Lines read.
    """

    starts: int
    cut_length_mm: float
    arc_minutes: float
    pierce_minutes: float
    rapid_length_mm: float
    rapid_minutes: float
    cuts: tuple[Cut, ...]
    warnings: tuple[ProgramWarning, ...]
    dry_length_mm: float = 0.0
    dry_minutes: float = 0.0
    lines: int = 0

    def plain(self) -> dict[str, Any]:
        """Return what the command line prints as JSON."""
        return {
            "starts": self.starts,
            "cut_length_mm": self.cut_length_mm,
            "arc_minutes": self.arc_minutes,
            "pierce_minutes": self.pierce_minutes,
            "rapid_length_mm": self.rapid_length_mm,
            "rapid_minutes": self.rapid_minutes,
            "dry_length_mm": self.dry_length_mm,
            "dry_minutes": self.dry_minutes,
            "lines": self.lines,
            "warnings": [{"line": x.line, "code": x.code, "text": x.text} for x in self.warnings],
            "cuts": [
                {
                    "line": x.line,
                    "length_mm": x.length_mm,
                    "seconds": x.seconds,
                    "pierce_seconds": x.pierce_seconds,
                }
                for x in self.cuts
            ],
        }
