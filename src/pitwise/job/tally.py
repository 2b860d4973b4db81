"""What is counted while a program is read: cuts, lengths, times, warnings."""

from __future__ import annotations

from pitwise.job.model import (
    MAX_CUTS,
    Cut,
    ProgramCount,
    ProgramError,
    ProgramWarning,
    ReaderSettings,
)
from pitwise.job.timing import Planner, profile_seconds

# Of each kind so many are shown one by one; the rest as one line with their number.
SHOWN_EACH = 20


class Tally:
    """Counters of one reading.

    The fields of the burning cut and of the rapid moves are plain attributes, since the fast
    loop of the reader keeps them in local variables between blocks.
    """

    def __init__(
        self, settings: ReaderSettings, *, keep_cuts: bool = True, max_cuts: int = MAX_CUTS
    ) -> None:
        self.settings = settings
        self.keep_cuts = keep_cuts
        self.max_cuts = max_cuts
        accel = settings.accel_mm_s2
        self.planner = None if accel is None else Planner(accel, settings.corner_tolerance_mm)
        self.lit = False
        self.cut_line = 0
        self.cut_length = 0.0
        self.cut_seconds = 0.0
        self.cut_dwell = 0.0
        self.cut_pierce = 0.0
        self.starts = 0
        self.length = 0.0
        self.seconds = 0.0
        self.pierce = 0.0
        self.rapid_length = 0.0
        self.rapid_seconds = 0.0
        self.dry_length = 0.0
        self.dry_seconds = 0.0
        self._cuts: list[Cut] = []
        self._warnings: list[ProgramWarning] = []
        self._seen: dict[str, int] = {}
        self._last: dict[str, int] = {}

    def warn(self, line: int, code: str, text: str) -> None:
        """Note a warning; of one code only the first few are kept word by word."""
        seen = self._seen[code] = self._seen.get(code, 0) + 1
        self._last[code] = line
        if seen <= SHOWN_EACH:
            self._warnings.append(ProgramWarning(line, code, text))

    def warn_once(self, line: int, code: str, text: str) -> None:
        """Note a warning the first time only."""
        if code not in self._seen:
            self.warn(line, code, text)

    def light(self, line: int) -> None:
        """Begin a cut.

        Raises
        ------
        ProgramError
            More of them than are wanted: no plate has so many, and what follows is not read.
        """
        self.starts += 1
        if self.starts > self.max_cuts:
            raise ProgramError(
                line, f"more than {self.max_cuts:,} cuts", "give one program for each plate"
            )
        self.lit = True
        self.cut_line = line
        self.cut_length = self.cut_seconds = self.cut_dwell = self.cut_pierce = 0.0

    def rest(self) -> None:
        """Bring the table to rest: what was planned is timed."""
        if self.planner is not None and self.lit:
            self.cut_seconds += self.planner.finish()

    def burn(self, seconds: float) -> None:
        """Dwell while lit; before the cut's first move it is piercing."""
        self.rest()
        self.cut_dwell += seconds
        if self.cut_length == 0:
            self.cut_pierce += seconds

    def quench(self) -> None:
        """End the cut."""
        if not self.lit:
            return
        self.rest()
        self.lit = False
        seconds = self.cut_seconds + self.cut_dwell
        self.length += self.cut_length
        self.seconds += seconds
        self.pierce += self.cut_pierce
        if self.keep_cuts:
            self._cuts.append(Cut(self.cut_line, self.cut_length, seconds, self.cut_pierce))

    def rapid(self, length_mm: float) -> None:
        """Count a rapid move with the arc out."""
        self.rapid_length += length_mm
        self.rapid_seconds += self.rapid_time(length_mm)

    def rapid_time(self, length_mm: float) -> float:
        """Return the seconds of one rapid move, from rest to rest; 0 without a speed."""
        rate = self.settings.rapid_mm_min
        return 0.0 if rate is None else self.alone(length_mm, rate / 60)

    def alone(self, length_mm: float, speed: float) -> float:
        """Return the seconds of one move by itself, from rest to rest."""
        accel = self.settings.accel_mm_s2
        if accel is None:
            return length_mm / speed
        return profile_seconds(length_mm, 0.0, 0.0, speed, accel)

    def result(self, lines: int) -> ProgramCount:
        """Return the count; the summed-up warnings come last."""
        more = [
            ProgramWarning(
                self._last[code],
                code,
                f"and {seen - SHOWN_EACH} more of these, the last in line {self._last[code]}",
            )
            for code, seen in self._seen.items()
            if seen > SHOWN_EACH
        ]
        return ProgramCount(
            starts=self.starts,
            cut_length_mm=self.length,
            arc_minutes=self.seconds / 60,
            pierce_minutes=self.pierce / 60,
            rapid_length_mm=self.rapid_length,
            rapid_minutes=self.rapid_seconds / 60,
            cuts=tuple(self._cuts),
            warnings=(*self._warnings, *more),
            dry_length_mm=self.dry_length,
            dry_minutes=self.dry_seconds / 60,
            lines=lines,
        )
