"""The state a program is read in, and what one block does to it (NISTIR 6556, 3.5 to 3.8)."""

from __future__ import annotations

import math
from typing import Literal

from pitwise.job.block import Block
from pitwise.job.block_words import arc_of_words, call_words
from pitwise.job.geometry import ROUNDING_MM, Arc
from pitwise.job.model import (
    CODE_TOLERANCE,
    MAX_DWELL_S,
    MAX_MM,
    MAX_MOVE_S,
    ProgramError,
    ReaderSettings,
    TorchCode,
    figure,
    torch_code,
)
from pitwise.job.offsets import Offsets
from pitwise.job.tally import Tally

Flow = Literal["", "call", "return", "end"]
_INCH = 25.4
_NO_MOTION, _PASSED_OVER = -1, -2
LONG_DWELL_S = 60.0
# Codes that change nothing that is counted here.
_QUIET_M = frozenset(
    (0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 19, 30, 48, 49, 50, 51, 52, 53, 60, *range(61, 69), 98, 99)
)
_QUIET_G = frozenset((90, 150, 500, 501, 502, 503, 600, 630, 690))
# Codes of the plain language: M98 alone of them takes words.
_PLAIN_M = frozenset((0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 30, 48, 49, 60, 98, 99))
# Words that codes take beside those of the axes, in tenths.
_TAKEN = {
    40: "P",
    100: "LPR",
    410: "D",
    411: "DL",
    420: "D",
    421: "DL",
    430: "H",
    431: "IJK",
    432: "H",
    640: "PQ",
}


class Machine:
    """State between blocks; lengths in mm, machine coordinates.

    The reader's fast loop copies `x`, `y`, `mode`, `feed` and the tally's sums into local
    variables and back.
    """

    def __init__(self, settings: ReaderSettings, tally: Tally) -> None:
        self.tally = tally
        self.on = [torch_code(x) for x in settings.on_codes]
        self.off = [torch_code(x) for x in settings.off_codes]
        self.quiet_m = _QUIET_M | {x.number for x in (*self.on, *self.off)}
        self.x = self.y = self.z = 0.0
        self.scale = 1.0
        self.absolute = True
        self.arc_absolute = False
        self.mode = _NO_MOTION
        self.feed = 0.0
        self.inverse_time = False
        self.untimed = False
        self.plane = 17
        self.exact = False
        self.offsets = Offsets()
        self.zero = self.offsets.sum()
        self.positioned = True
        self.moved = False
        self.seen_m: set[float] = set()
        self.said: set[str] = set()
        self.repeat: tuple[int, int] = (0, 1)

    def execute(self, block: Block, line: int) -> Flow:
        """Do one block, in the order of NISTIR 6556, 3.8 (units first, they rule its numbers).

        Raises
        ------
        ProgramError
        """
        g, words = block.g, block.words
        if g or block.others or block.unknown:
            self._modes(block, line)
        if "F" in words:
            self._set_feed(words["F"], line)
        if block.odd:
            self._say_unused(block, line)
        if block.m:
            self._torch(block, line)
        non_modal = g.get("non-modal")
        if non_modal == 40:
            self._dwell(words, line)
        if non_modal is not None and non_modal not in (40, 530):
            self._non_modal(non_modal, block, line)
        elif not (non_modal == 40 and "P" not in words) and (
            "X" in words or "Y" in words or "Z" in words or self._circle_word(words)
        ):
            self._motion(block, line, machine=non_modal == 530)
        return self._stop(block, line) if block.m else ""

    def _circle_word(self, words: dict[str, float]) -> bool:
        return self.mode in (2, 3) and ("I" in words or "J" in words or "R" in words)

    def _say_unused(self, block: Block, line: int) -> None:
        """Warn of words that nothing on their line makes use of, each letter once."""
        for letter in sorted(block.odd - self.said - self._used(block)):
            self.said.add(letter)
            self.tally.warn(
                line,
                "unknown-word",
                f"the word {letter} is not used on this line; passed over (said once)",
            )

    def _used(self, block: Block) -> set[str]:
        """Return the letters that a line's codes take words of."""
        g = block.g
        if block.others or not _PLAIN_M.issuperset(block.m):
            # What codes we don't know take is not ours to say.
            return block.odd
        used = {"I", "J", "K", "R", "P"} if self.mode in (2, 3) else set[str]()
        if self.mode == _PASSED_OVER:
            used |= set("IJKLPQR")
        for code in g.values():
            used.update(_TAKEN.get(code, ""))
        if 98 in block.m:
            used |= {"P", "L"}
        for torch in (*self.on, *self.off):
            if torch.number in block.m:
                used.update(letter for letter, _ in torch.beside)
        return used

    # modes

    def _modes(self, block: Block, line: int) -> None:
        g, warn = block.g, self.tally.warn
        for letter in block.unknown:
            warn(line, "unknown-word", f"the word {letter} means nothing here; passed over")
        for code in block.others:
            if code not in _QUIET_G:
                warn(line, "unknown-code", f"G{code / 10:g} is not known; passed over")
        if (units := g.get("units")) is not None:
            self._set_units(_INCH if units in (200, 700) else 1.0)
        if (way := g.get("distance")) is not None:
            self.absolute = way == 900
        if (way := g.get("arc distance")) is not None:
            self.arc_absolute = way == 901
        if (plane := g.get("plane")) is not None:
            self.plane = plane // 10
            if plane != 170:
                warn(line, "plane", f"G{plane // 10}: arcs outside the XY plane are refused")
        if (mode := g.get("feed mode")) is not None:
            self._set_feed_mode(mode, line)
        if g.get("compensation", 400) != 400:
            self.tally.warn_once(
                line,
                "compensation",
                f"G{g['compensation'] / 10:g}: the length of the programmed line is counted, "
                "not that of the path beside it",
            )
        if (system := g.get("coordinate system")) is not None:
            index = 5 + system - 590 if system > 590 else system // 10 - 54
            if index != self.offsets.system and self.moved:
                self.tally.warn_once(
                    line,
                    "work-offset",
                    "the work offset changes between moves; offsets the program does not set "
                    "count as zero, so rapid length may be off",
                )
            self.offsets.system = index
            self.zero = self.offsets.sum()
        if (path := g.get("path control")) is not None:
            self.exact = path != 640
        if (motion := g.get("motion")) is not None:
            self._set_motion(motion, line)

    def _set_motion(self, code: int, line: int) -> None:
        if code in (0, 10, 20, 30):
            self.mode = code // 10
        elif 382 <= code <= 385:
            self.mode = 38
        elif code == 800:
            self.mode = _NO_MOTION
        else:
            self.mode = _PASSED_OVER
            self.tally.warn(
                line, "canned-cycle", f"G{code // 10}: drilling cycles are passed over, not counted"
            )

    def _set_units(self, scale: float) -> None:
        # The feed stays what it was: 100 in/min does not become 100 mm/min.
        self.scale = scale

    def _set_feed_mode(self, mode: int, line: int) -> None:
        if self.inverse_time != (mode == 930) or self.untimed != (mode == 950):
            self.feed = 0.0
        self.inverse_time = mode == 930
        self.untimed = mode == 950
        if self.untimed:
            self.tally.warn(
                line, "feed-per-turn", "G95: feed per revolution gives no time; cuts have none"
            )

    def _set_feed(self, value: float, line: int) -> None:
        if value < 0:
            raise ProgramError(line, f"the feed F{figure(value)} is below zero", "write F above 0")
        self.feed = value if self.inverse_time or self.untimed else value * self.scale
        if self.feed > MAX_MM:
            raise ProgramError(
                line,
                f"no table moves at F{figure(value)}",
                "check for a missing decimal point, and the units (G20, G21)",
            )

    # torch, dwell, stop

    def _torch(self, block: Block, line: int) -> None:
        tally = self.tally
        torch = block.torch
        if torch is None:
            torch = block.torch = self._torch_of(block, line)
        if not self.seen_m.issuperset(block.m):
            self.seen_m.update(block.m)
        if not self.quiet_m.issuperset(block.m):
            for number in block.m:
                if number not in self.quiet_m:
                    tally.warn(line, "unknown-code", f"M{figure(number)} is not known; passed over")
        if torch < 0:
            tally.quench()
            self.positioned = False
        elif torch and tally.lit:
            tally.warn(line, "already-lit", "the torch is lit while it burns; not a new start")
        elif torch:
            tally.light(line)
            self.positioned = False

    def _torch_of(self, block: Block, line: int) -> int:
        # Where both match, as M3 and "M3 P0" may, the one that asks for more words holds.
        off = max((len(x.beside) + 1 for x in self.off if _stands_in(x, block)), default=0)
        on = max((len(x.beside) + 1 for x in self.on if _stands_in(x, block)), default=0)
        if on and on == off:
            raise ProgramError(
                line, "the torch is lit and quenched on one line", "put them on two lines"
            )
        return (on > off) - (on < off)

    def _dwell(self, words: dict[str, float], line: int) -> None:
        seconds = words.get("P", words.get("X"))
        if seconds is None:
            self.tally.warn(line, "dwell-missing", "G4 without P: no time is counted")
            return
        if not 0 <= seconds <= MAX_DWELL_S:
            raise ProgramError(
                line, f"a dwell of {seconds:g} s can't be", "write P in seconds, from 0 to 86400"
            )
        if seconds > LONG_DWELL_S:
            self.tally.warn(
                line,
                "long-dwell",
                f"a dwell of {seconds:g} s: P counts in seconds; is it milliseconds here?",
            )
        if self.tally.lit:
            self.tally.burn(seconds)

    def _stop(self, block: Block, line: int) -> Flow:
        m, lit = block.m, self.tally.lit
        if 2 in m or 30 in m:
            return "end"
        if lit and any(x in m for x in (0, 1, 60)):
            self.tally.rest()
            self.tally.warn(
                line, "stop-while-lit", "the program stops with the arc on; that time is unknown"
            )
        if 98 in m:
            self.repeat = call_words(block.words, line)
            return "call"
        return "return" if 99 in m else ""

    # motion

    def _wanted(self, words: dict[str, float]) -> tuple[float | None, float | None, float | None]:
        s = self.scale
        x, y, z = words.get("X"), words.get("Y"), words.get("Z")
        return (
            None if x is None else x * s,
            None if y is None else y * s,
            None if z is None else z * s,
        )

    def _target(
        self, words: dict[str, float], line: int, *, machine: bool
    ) -> tuple[float, float, float]:
        here = (self.x, self.y, self.z)
        if machine:
            zero = (0.0, 0.0, 0.0)
        elif self.absolute:
            zero = self.zero
        else:
            zero = here
        x, y, z = (here[i] if w is None else zero[i] + w for i, w in enumerate(self._wanted(words)))
        # The length, as in the reader's fast loop, which has no time for every coordinate.
        dx, dy, dz = x - here[0], y - here[1], z - here[2]
        if not math.sqrt(dx * dx + dy * dy + dz * dz) < MAX_MM:
            raise ProgramError(
                line,
                "a move leads farther than 10 km",
                "check its coordinates for a missing decimal point, and the units (G20, G21)",
            )
        return x, y, z

    def _non_modal(self, code: int, block: Block, line: int) -> None:
        words, offsets, here = block.words, self.offsets, (self.x, self.y, self.z)
        if code in (280, 300, 100, 520, 920) and "motion" in block.g:
            raise ProgramError(
                line,
                f"G{code // 10} and a motion code both claim the axis words",
                "put them on two lines",
            )
        wanted = self._wanted(words)
        if code in (280, 300):
            self._home(code, words, line)
        elif code == 520:
            offsets.set_local(wanted)
        elif code == 920:
            offsets.shift_to(here, wanted)
        elif code in (921, 922):
            offsets.cancel_shift(keep=code == 922)
        elif code == 923:
            offsets.restore_shift()
        elif code == 100:
            self._set_table(words, wanted, line)
        self.zero = offsets.sum()

    def _set_table(
        self, words: dict[str, float], wanted: tuple[float | None, ...], line: int
    ) -> None:
        kind, row = words.get("L"), words.get("P", 0.0)
        if kind not in (2.0, 20.0):
            self.tally.warn(line, "unknown-code", "G10 without L2 or L20 is passed over")
            return
        if row != int(row) or not 0 <= row <= 9:
            raise ProgramError(line, f"there is no work offset P{row:g}", "write P1 to P9")
        index = self.offsets.system if row == 0 else int(row) - 1
        if kind == 2:
            self.offsets.set_table(index, wanted)
        else:
            self.offsets.set_table_here(index, (self.x, self.y, self.z), wanted)

    def _home(self, code: int, words: dict[str, float], line: int) -> None:
        self.tally.warn_once(
            line,
            "reference-point",
            f"G{code // 10}: the reference point is not in the program; machine zero is taken",
        )
        if any(x in words for x in "XYZ"):
            self._rapid(*self._target(words, line, machine=False), line)
        self._rapid(0.0, 0.0, 0.0, line)

    def _motion(self, block: Block, line: int, *, machine: bool) -> None:
        if self.mode == _PASSED_OVER:
            return
        if self.mode == _NO_MOTION:
            self.tally.warn(
                line, "no-motion-code", "axis words before any G0, G1, G2 or G3: taken as G0"
            )
            self.mode = 0
        words = block.words
        if machine and self.mode not in (0, 1):
            raise ProgramError(line, "G53 needs G0 or G1", "write G0 or G1 beside it")
        x, y, z = self._target(words, line, machine=machine)
        if any(a in words for a in "ABC"):
            self.tally.warn_once(
                line, "axis-not-counted", "A, B and C axes are passed over; lengths are of X Y Z"
            )
        if self.mode == 0:
            self._rapid(x, y, z, line)
        elif self.mode in (1, 38):
            self._line(x, y, z, block, line)
        else:
            self._arc(x, y, z, block, line)
        self.moved = True

    def _rapid(self, x: float, y: float, z: float, line: int) -> None:
        dx, dy, dz = x - self.x, y - self.y, z - self.z
        length = math.sqrt(dx * dx + dy * dy + dz * dz)
        self.x, self.y, self.z = x, y, z
        tally = self.tally
        if not tally.lit:
            tally.rapid(length)
            self.positioned = True
        elif length > 0:
            tally.rest()
            tally.warn(
                line, "rapid-while-lit", "a rapid move with the arc on; counted as cut length"
            )
            tally.cut_length += length
            tally.cut_seconds += tally.rapid_time(length)

    def _line(self, x: float, y: float, z: float, block: Block, line: int) -> None:
        dx, dy, dz = x - self.x, y - self.y, z - self.z
        length = math.sqrt(dx * dx + dy * dy + dz * dz)
        self.x, self.y, self.z = x, y, z
        if length == 0:
            return
        speed = self._speed(length, block, line)
        if self._dry(length, speed, math.hypot(dx, dy), line):
            return
        planner = self.tally.planner
        self.tally.cut_length += length
        if speed == 0:
            self.tally.rest()
        elif planner is None:
            self.tally.cut_seconds += length / speed
        else:
            planner.line(length, speed, dx / length, dy / length, dz / length, self.exact)

    def _arc(self, x: float, y: float, z: float, block: Block, line: int) -> None:
        arc = self._arc_shape(x, y, block, line)
        flat = arc.radius_mm * arc.sweep
        dz = z - self.z
        length = math.hypot(flat, dz)
        self.x, self.y, self.z = x, y, z
        speed = self._speed(length, block, line)
        if self._dry(length, speed, flat, line):
            return
        planner = self.tally.planner
        self.tally.cut_length += length
        if speed == 0:
            self.tally.rest()
        elif planner is None:
            self.tally.cut_seconds += length / speed
        else:
            level, rise = flat / length, dz / length
            planner.arc(
                length,
                speed,
                (arc.start[0] * level, arc.start[1] * level, rise),
                (arc.end[0] * level, arc.end[1] * level, rise),
                # A helix bends less than its circle: radius r (1 + (rise / level)²).
                arc.radius_mm / (level * level),
                self.exact,
            )

    def _arc_shape(self, x: float, y: float, block: Block, line: int) -> Arc:
        if self.plane != 17:
            raise ProgramError(
                line, f"an arc in the plane of G{self.plane}", "only arcs of G17 (XY) are counted"
            )
        arc = arc_of_words(
            block.words,
            line,
            here=(self.x, self.y),
            to=(x, y),
            zero=(self.zero[0], self.zero[1]) if self.arc_absolute else None,
            scale=self.scale,
            clockwise=self.mode == 2,
        )
        if arc.mismatch_mm > ROUNDING_MM:
            self.tally.warn(
                line,
                "arc-radius",
                f"start and end of the arc lie {arc.mismatch_mm:.3g} mm unequally far from its "
                "centre; the mean radius is counted",
            )
        return arc

    def _speed(self, length: float, block: Block, line: int) -> float:
        """Return mm/s; 0, with a warning while lit, when there is no feed to go by."""
        feed = self.feed
        if self.inverse_time:
            feed = feed * length if "F" in block.words else 0.0
        if feed > 0 and not self.untimed:
            speed = feed / 60
            # An underflow leaves no speed at all.
            if speed == 0 or not length / speed <= MAX_MOVE_S:
                raise ProgramError(
                    line,
                    f"the feed F{self.feed:.3g} is too slow to be meant: this move of "
                    f"{length:.6g} mm would take more than {MAX_MOVE_S / 86400:.0f} days",
                    "check F for a misplaced decimal point, and the feed mode (G93, G94)",
                )
            return speed
        if self.tally.lit and not self.untimed:
            why = (
                "G93 wants F on every line that moves"
                if self.inverse_time
                else "no feed (F) is set"
            )
            self.tally.warn(line, "feed-missing", f"{why}; the length counts, its time does not")
        return 0.0

    def _dry(self, length: float, speed: float, flat: float, line: int) -> bool:
        """Count a move at a feed with the arc out; say whether it was one."""
        tally = self.tally
        if tally.lit:
            return False
        tally.dry_length += length
        if speed > 0:
            tally.dry_seconds += tally.alone(length, speed)
        if self.positioned and flat > 0 and self.mode != 38:
            tally.warn(
                line,
                "cut-before-lighting",
                "a move at a feed, with the torch not lit since it was brought here; not a cut",
            )
            self.positioned = False
        return True


def _stands_in(code: TorchCode, block: Block) -> bool:
    return code.number in block.m and all(
        letter in block.words and abs(block.words[letter] - value) < CODE_TOLERANCE
        for letter, value in code.beside
    )
