"""What a cut program is counted with, and what the count is."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class ReaderSettings:
    """How a station's programs are read."""

    on_codes: tuple[str, ...] = ("M3",)
    off_codes: tuple[str, ...] = ("M5",)
    accel_mm_s2: float | None = None
    corner_tolerance_mm: float = 0.1
    rapid_mm_min: float | None = None


@dataclass(frozen=True)
class Cut:
    """One cut."""

    line: int
    length_mm: float
    seconds: float
    pierce_seconds: float


@dataclass(frozen=True)
class ProgramWarning:
    """A warning with its line."""

    line: int
    code: str
    text: str


@dataclass(frozen=True)
class ProgramCount:
    """What a program does to a torch."""

    starts: int
    cut_length_mm: float
    arc_minutes: float
    pierce_minutes: float
    rapid_length_mm: float
    rapid_minutes: float
    cuts: tuple[Cut, ...]
    warnings: tuple[ProgramWarning, ...]


class ProgramError(ValueError):
    """A malformed program."""

    def __init__(self, line: int, problem: str, mend: str) -> None:
        self.line, self.problem, self.mend = line, problem, mend
        super().__init__(f"line {line}: {problem}. Mend: {mend}.")
