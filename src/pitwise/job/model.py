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
MAX_STEPS = 1_000_000
MAX_BUFFERED_LINES = 2_000_000
MAX_CALLS = 50
MAX_NESTING = 50

_CODE = re.compile(r"([A-Z])0*(\d+(?:\.\d+)?)((?:[A-Z][-+]?(?:\d+\.?\d*|\.\d+))*)")
_CODE_WORD = re.compile(r"([A-Z])([-+]?[\d.]+)")


class ProgramError(ValueError):
    """A program that can't be counted, with the line and the mend.

    Attributes
    ----------
    line : int
        Line of the file, from 1; 0 when the file as a whole is meant.
    problem, mend : str
    """

    def __init__(self, line: int, problem: str, mend: str) -> None:
        self.line = line
        self.problem = problem
        self.mend = mend
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

    Raises
    ------
    ValueError
        Anything but an M word, perhaps followed by other words.
    """
    found = _CODE.fullmatch("".join(text.split()).upper())
    if found is None or found[1] != "M":
        raise ValueError(f"'{text}' is no torch code: write an M word, such as M3 or 'M64 P1'")
    try:
        beside = tuple((x[1], float(x[2])) for x in _CODE_WORD.finditer(found[3]))
        return TorchCode(found[1], float(found[2]), beside)
    except ValueError as error:
        raise ValueError(f"'{text}' holds a word whose number can't be read") from error


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
        both = {torch_code(x) for x in self.on_codes} & {torch_code(x) for x in self.off_codes}
        if both:
            raise ValueError("one code can't both light and quench the torch")
        for name, value in (("accel_mm_s2", self.accel_mm_s2), ("rapid_mm_min", self.rapid_mm_min)):
            if value is not None and not (math.isfinite(value) and value > 0):
                raise ValueError(f"{name} must be a number above 0")
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
        Dwell while lit.
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
        Arc burning, dwell included; the dwell alone.
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
