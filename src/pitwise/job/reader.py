"""Read a cut program: a fast loop for plain moves, the interpreter for everything else."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from itertools import islice
from math import atan2, pi, sqrt

from pitwise.job.block import Block, bare, kept, parse_block, without_number
from pitwise.job.control import CHARACTERS_A_STEP, Control
from pitwise.job.expressions import Parameters
from pitwise.job.flow import o_word
from pitwise.job.geometry import ROUNDING_MM
from pitwise.job.machine import LONG_DWELL_S, Machine
from pitwise.job.model import (
    MAX_BUFFERED_LINES,
    MAX_CUTS,
    MAX_MM,
    MAX_STEPS,
    ProgramCount,
    ProgramError,
    ReaderSettings,
    figure,
)
from pitwise.job.tally import Tally

# Moves as nearly every line of a nest is written: the usual ones, and those with a line
# number, one axis or a feed. Whatever else is on a line, or a number that float() refuses, goes
# to the interpreter, which knows the whole language.
_USUAL = re.compile(
    r"(?:G0?([0123])\s*)?X([-+.0-9]++)\s*Y([-+.0-9]++)\s*"
    r"(?:I([-+.0-9]++)\s*J([-+.0-9]++)\s*)?",
    re.ASCII,
).fullmatch
_PLAIN = re.compile(
    r"\s*(?:N[0-9]+\s*)?(?:G0?([0123])\s*)?(?:X([-+.0-9]++)\s*)?(?:Y([-+.0-9]++)\s*)?"
    r"(?:I([-+.0-9]++)\s*J([-+.0-9]++)\s*)?(?:F([.0-9]++)\s*)?",
    re.ASCII | re.IGNORECASE,
).fullmatch
_NUMBERED = re.compile(r"\s*N[0-9]+\s*", re.ASCII | re.IGNORECASE).match
_TWO_PI = 2 * pi
_CACHED_BLOCKS = 2048
# A jump takes as long as some plain blocks.
_JUMP_STEPS = 4
# A line longer than this costs its length in steps each time it is read anew.
_SHORT = 200
# What the fast loop times by itself, so that no move of it can take longer than MAX_MOVE_S: at
# this speed or faster, mm/s, along lines of up to 10 km and circles of up to 1 km radius.
_FAST_ENOUGH = 1.0
_FAST_RADIUS = 1e6


def read_program(
    lines: Iterable[str],
    settings: ReaderSettings | None = None,
    *,
    block_delete: bool = True,
    keep_cuts: bool = True,
    max_steps: int = MAX_STEPS,
    max_cuts: int = MAX_CUTS,
) -> ProgramCount:
    """Count what a cut program asks of the torch.

    RS-274 / ISO 6983 as NISTIR 6556 describes it, with common additions (G52, G90.1, M98, O
    words, comparisons). Lines are streamed; only a program with O words or M98 is held in
    memory, from the first of them on.

    Parameters
    ----------
    lines : iterable of str
        With or without line ends.
    settings : ReaderSettings, optional
    block_delete : bool
        Lines that begin with ``/`` are left out.
    keep_cuts : bool
        False: `cuts` stays empty, and memory does not grow with their number.
    max_steps : int
        How many blocks loops and subroutines may run through beyond the file's own length.
    max_cuts : int
        A program that lights the torch more often is refused there, and not read to its end.

    Returns
    -------
    ProgramCount

    Raises
    ------
    ProgramError
        A malformed program, with its line.

    Notes
    -----
    Lengths are of the programmed path in X, Y and Z. An arc of radius r, sweep φ and rise h has
    the length √((rφ)² + h²). Without acceleration a move takes length / feed; with it see
    `pitwise.job.timing.Planner`.
    """
    tally = Tally(settings or ReaderSettings(), keep_cuts=keep_cuts, max_cuts=max_cuts)
    return _Reading(tally, block_delete, max_steps).run(lines)


def _key(line: str) -> str:
    """Return a line without its number: what it shares with others like it."""
    found = _NUMBERED(line)
    return line if found is None else line[found.end() :]


class _Reading:
    def __init__(self, tally: Tally, block_delete: bool, max_steps: int) -> None:
        self.settings = settings = tally.settings
        self.block_delete = block_delete
        self.max_steps = max_steps
        self.tally = tally
        self.machine = Machine(settings, self.tally)
        self.parameters = Parameters()
        self.control: Control | None = None
        self.cache: dict[str, Block] = {}
        self.empty_lines = 0
        self.named = False
        self.ended = False

    def run(self, lines: Iterable[str]) -> ProgramCount:
        source = iter(lines)
        number, line, why = self._moves(source, 0)
        if why == "buffer":
            number = self._run_buffered(number, line, source)
        self._put_out(number)
        if not self.ended:
            self.tally.warn(
                number, "no-program-end", "neither M2, M30 nor % ends the file: is it whole?"
            )
        self._say_nothing_lit(number)
        return self.tally.result(number)

    def _put_out(self, number: int) -> None:
        if self.tally.lit:
            self.tally.quench()
            self.tally.warn(number, "arc-left-on", "the program ends with the arc on")

    def _say_nothing_lit(self, number: int) -> None:
        if self.tally.starts:
            return
        others = sorted(self.machine.seen_m)[:12]
        seen = ", ".join(f"M{figure(x)}" for x in others) or "none"
        self.tally.warn(
            number,
            "no-start",
            f"no line lights the torch ({', '.join(self.settings.on_codes)}); M codes seen: {seen}",
        )

    def _run_buffered(self, number: int, line: str, source: Iterator[str]) -> int:
        """Hold the rest of the program and run it, line by line, where control leads."""
        held = [line]
        for raw in islice(source, MAX_BUFFERED_LINES):
            if raw.strip() == "%":
                self.ended = True
                break
            held.append(raw)
        else:
            if next(source, None) is not None:
                raise ProgramError(
                    number,
                    f"more than {MAX_BUFFERED_LINES} lines after the first O word or M98",
                    "post the program without subroutines",
                )
        control = self.control = Control(
            held, number, self.parameters, block_delete=self.block_delete, steps=self.max_steps
        )
        why = "jump"
        while why == "jump":
            begin = control.at
            if begin >= len(held):
                control.fall_off()
                break
            last, _, why = self._moves(
                map(held.__getitem__, range(begin, len(held))), number + begin - 1
            )
            control.spend(last - number - begin + 1 + _JUMP_STEPS, last)
            if why == "":
                control.at = len(held)
                why = "jump"
        return number + len(held) - 1

    def _block(self, raw: str, number: int) -> str:
        """Interpret one line; the answer says why the fast loop can't simply go on."""
        key = _key(raw)
        block = self.cache.get(key)
        if block is None:
            text = bare(raw, number)
            text = without_number(kept(text, block_delete=self.block_delete))
            if not text:
                self.empty_lines += 1
                return ""
            if text == "%":
                opening = self.empty_lines == number - 1 and self.control is None
                self.empty_lines += 1
                self.ended = not opening
                return "" if opening else "end"
            if text[0] in "O:":
                return self._o_word(text, number)
            block = self._parse(text, number)
            # A / is looked at before the cache may answer.
            if block.constant and "/" not in key:
                if len(self.cache) >= _CACHED_BLOCKS:
                    self.cache.clear()
                self.cache[key] = block
        if self.control is None and 98 in block.m:
            return "buffer"
        flow = self.machine.execute(block, number)
        for name, value in block.sets:
            self.parameters.write(name, value)
            if isinstance(name, int) and 5161 <= name <= 5390:
                self.tally.warn_once(
                    number, "offset-parameter", f"#{name} is set, but offsets are not taken from it"
                )
        if not flow:
            return ""
        if flow == "call":
            assert self.control is not None  # noqa: S101 - "buffer" above saw to it
            self.control.call_program(*self.machine.repeat, number)
            return "jump"
        if flow == "return" and self.control is not None and self.control.back(number):
            return "jump"
        if flow == "return":
            self.tally.warn(number, "m99-in-main", "M99 in the main program: taken as its end")
        self._put_out(number)
        self.ended = True
        return "end"

    def _parse(self, text: str, number: int) -> Block:
        block = parse_block(text, number, self.parameters)
        if self.control is not None:
            # Lines that are the same each time are read once, unless there are too many to keep.
            costly = max(0, len(text) - _SHORT) if block.constant else len(text)
            self.control.spend(costly // CHARACTERS_A_STEP, number)
        if not block.constant:
            self._note_unset(number)
        return block

    def _note_unset(self, number: int) -> None:
        unset = self.parameters.unset_read
        for name in unset:
            self.tally.warn(
                number, "parameter-unset", f"{name} is read before it is set; taken as 0"
            )
        unset.clear()

    def _o_word(self, text: str, number: int) -> str:
        if self.control is None:
            node = o_word(text, number)
            if node is None or node.keyword or self.named:
                return "buffer"
            # The first plain O number is the name of the program itself.
            self.named = True
            return self._rest_of_name(node.rest, number)
        self.control.spend(len(text) // CHARACTERS_A_STEP, number)
        answer = self.control.step(number)
        self._note_unset(number)
        if isinstance(answer, str):
            return answer
        return self._rest_of_name(answer.rest, number)

    def _rest_of_name(self, rest: str, number: int) -> str:
        if not rest:
            return ""
        block = self._parse(rest, number)
        if self.control is None and 98 in block.m:
            raise ProgramError(number, "M98 beside an O number", "put M98 on its own line")
        flow = self.machine.execute(block, number)
        if flow in ("call", "return"):
            raise ProgramError(number, "M98 or M99 beside an O number", "put it on its own line")
        self.ended = self.ended or flow == "end"
        return flow

    def _moves(self, lines: Iterator[str], number: int) -> tuple[int, str, str]:
        """Run lines until control turns; returns the last line's number, itself, and why."""
        machine, tally = self.machine, self.tally
        planner = tally.planner
        by_rapid = tally.rapid_time if self.settings.rapid_mm_min is not None else None
        usual, plain, rounding, largest, widest = _USUAL, _PLAIN, ROUNDING_MM, MAX_MM, _FAST_RADIUS
        least = _FAST_ENOUGH
        known = self.cache.get
        line, done = "", False
        while True:
            x, y, mode, feed = machine.x, machine.y, str(machine.mode), machine.feed
            speed = feed / 60
            scale, absolute, exact = machine.scale, machine.absolute, machine.exact
            zero_x, zero_y = machine.zero[0], machine.zero[1]
            simple = absolute and scale == 1 and zero_x == zero_y == 0
            lit = tally.lit
            length, seconds = tally.cut_length, tally.cut_seconds
            rapid_length, rapid_seconds = tally.rapid_length, tally.rapid_seconds
            positioned, moved = machine.positioned, machine.moved
            steady = not (machine.inverse_time or machine.untimed)
            cuts = lit and steady and speed >= least
            arcs = cuts and machine.plane == 17 and not machine.arc_absolute
            for line in lines:
                number += 1
                found = usual(line)
                try:
                    if found is not None:
                        g, gx, gy, gi, gj = found.groups()
                        if simple:
                            to_x, to_y = float(gx), float(gy)
                        elif absolute:
                            to_x = zero_x + float(gx) * scale
                            to_y = zero_y + float(gy) * scale
                        else:
                            to_x = x + float(gx) * scale
                            to_y = y + float(gy) * scale
                    else:
                        found = plain(line)
                        if found is None:
                            # Lighting, piercing and quenching, seen before and alone on the
                            # line, stand in every cut: done without leaving the loop.
                            block = known(_key(line))
                            if block is None or not block.alone:
                                break
                            if block.m:
                                if not block.torch or (block.torch > 0) == lit:
                                    break
                                lit = not lit
                                if lit:
                                    tally.light(number)
                                    length = seconds = 0.0
                                else:
                                    tally.cut_length, tally.cut_seconds = length, seconds
                                    tally.quench()
                                positioned = False
                                cuts = lit and steady and speed >= least
                                arcs = cuts and machine.plane == 17 and not machine.arc_absolute
                            elif lit and 0 <= block.words["P"] <= LONG_DWELL_S:
                                tally.cut_length, tally.cut_seconds = length, seconds
                                tally.burn(block.words["P"])
                                seconds = tally.cut_seconds
                            else:
                                break
                            continue
                        g, gx, gy, gi, gj, gf = found.groups()
                        from_x, from_y = (zero_x, zero_y) if absolute else (x, y)
                        to_x = x if gx is None else from_x + float(gx) * scale
                        to_y = y if gy is None else from_y + float(gy) * scale
                        if gf is not None:
                            wanted = float(gf) * scale
                            if not (steady and 0 < wanted <= largest):
                                break
                            # If the interpreter takes the line after all, it sets the same.
                            feed = wanted
                            speed = feed / 60
                            cuts = lit and speed >= least
                            arcs = cuts and machine.plane == 17 and not machine.arc_absolute
                    now = g or mode
                    dx = to_x - x
                    dy = to_y - y
                    if now == "1":
                        step = sqrt(dx * dx + dy * dy)
                        if not 0 < step < largest or not cuts or gi is not None:
                            break
                        length += step
                        if planner is None:
                            seconds += step / speed
                        else:
                            planner.line(step, speed, dx / step, dy / step, 0.0, exact)
                    elif now == "0":
                        step = sqrt(dx * dx + dy * dy)
                        if not 0 < step < largest or lit or gi is not None:
                            break
                        rapid_length += step
                        if by_rapid is not None:
                            rapid_seconds += by_rapid(step)
                        positioned = True
                    elif arcs and gi is not None and (now == "2" or now == "3"):
                        i = float(gi) * scale
                        j = float(gj) * scale
                        ex = dx - i
                        ey = dy - j
                        ra = sqrt(i * i + j * j)
                        rb = sqrt(ex * ex + ey * ey)
                        if not (0 < ra < widest and -rounding < ra - rb < rounding < rb):
                            break
                        # From (-i, -j) to (ex, ey): cross and scalar product.
                        sweep = atan2(ex * j - i * ey, -i * ex - j * ey)
                        if now == "2":
                            sweep = -sweep
                        sweep %= _TWO_PI
                        if sweep <= 1e-9:
                            sweep += _TWO_PI
                        radius = (ra + rb) / 2
                        step = radius * sweep
                        length += step
                        if planner is None:
                            seconds += step / speed
                        else:
                            side = -1.0 if now == "2" else 1.0
                            planner.arc(
                                step,
                                speed,
                                (side * j / ra, -side * i / ra, 0.0),
                                (-side * ey / rb, side * ex / rb, 0.0),
                                radius,
                                exact,
                            )
                    else:
                        break
                except ValueError:
                    break
                x, y, mode, moved = to_x, to_y, now, True
            else:
                done = True
            machine.x, machine.y, machine.mode, machine.feed = x, y, int(mode), feed
            machine.positioned, machine.moved = positioned, moved
            tally.cut_length, tally.cut_seconds = length, seconds
            tally.rapid_length, tally.rapid_seconds = rapid_length, rapid_seconds
            if done:
                return number, "", ""
            why = self._block(line, number)
            if why:
                return number, line, why
