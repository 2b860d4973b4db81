"""One line of a program -> its words (NISTIR 6556, sections 3.3 and 3.4)."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from pitwise.job.expressions import Parameters, Scanner
from pitwise.job.model import MAX_LINE, ProgramError, figure

_COMMENT = re.compile(r"\([^()]*\)|;.*", re.DOTALL)
_LINE_NUMBER = re.compile(r"N[0-9]+(?:\.[0-9]*)?")
_KNOWN_LETTERS = frozenset("ABCDEFGHIJKLMNPQRSTXYZ")
_LETTERS = frozenset("ABCDEFGHIJKLMNPQRSTUVWXYZ")
# Axes, feed, spindle and tool; and U V W, which are said each time.
_ALWAYS_USED = frozenset("ABCFSTUVWXYZ")
_SPACE = re.compile(r"\s+")

# Codes in tenths, by modal group (NISTIR 6556, 3.4 and its table of modal groups).
# G52, G70, G71, G90.1, G91.1, G92.x, G95 and the .1 of G41 and G42 are common practice.
_G_GROUPS: dict[str, tuple[int, ...]] = {
    "motion": (0, 10, 20, 30, 382, 383, 384, 385, 800, *range(810, 900, 10)),
    "plane": (170, 180, 190),
    "distance": (900, 910),
    "arc distance": (901, 911),
    "feed mode": (930, 940, 950),
    "units": (200, 210, 700, 710),
    "compensation": (400, 410, 411, 420, 421),
    "tool length": (430, 431, 432, 490),
    "return level": (980, 990),
    "coordinate system": (*range(540, 600, 10), 591, 592, 593),
    "path control": (610, 611, 640),
    "non-modal": (40, 100, 280, 281, 300, 301, 520, 530, 920, 921, 922, 923),
}
GROUP_OF = {code: group for group, codes in _G_GROUPS.items() for code in codes}
# Codes that change the shape or the size of what follows; to pass over them would miscount.
REFUSED = {
    160: "polar coordinates",
    510: "scaling",
    511: "mirroring",
    680: "rotation",
    50: "a spline",
    51: "a spline",
    52: "a spline",
    53: "a spline",
    70: "diameter programming",
    650: "a macro call",
    660: "a macro call",
}
_DWELL = {"non-modal": 40}
_M_GROUPS: dict[float, str] = dict.fromkeys((0.0, 1.0, 2.0, 30.0, 60.0), "stop") | dict.fromkeys(
    (3.0, 4.0, 5.0), "spindle"
)


@dataclass
class Block:
    """The words of one line.

    Attributes
    ----------
    g : dict of str to int
        Group -> code in tenths (901 is G90.1).
    others : list of int
        G codes of no known group, in tenths.
    m : list of float
    words : dict of str to float
        All other words.
    sets : list of (parameter, value)
        Take effect after the line.
    unknown : list of str
        Letters that mean nothing to this reader.
    odd : set of str
        Letters that only some lines use.
    constant : bool
        The line means the same whenever it is read.
    torch : int or None
        1 lights, -1 quenches, 0 neither; None until the machine has looked.
    alone : bool
        Nothing stands on the line but one M word, or a dwell and its time.
    """

    g: dict[str, int] = field(default_factory=dict)
    others: list[int] = field(default_factory=list)
    m: list[float] = field(default_factory=list)
    words: dict[str, float] = field(default_factory=dict)
    sets: list[tuple[int | str, float]] = field(default_factory=list)
    unknown: list[str] = field(default_factory=list)
    odd: set[str] = field(default_factory=set)
    constant: bool = True
    torch: int | None = None
    alone: bool = False


def bare(text: str, line: int) -> str:
    """Return a line without comments, spaces and line number, in capitals.

    Raises
    ------
    ProgramError
        A line that is too long, or a comment left open or nested.
    """
    if len(text) > MAX_LINE:
        raise ProgramError(
            line,
            f"the line is longer than {MAX_LINE} characters",
            "check that this is a program",
        )
    if "(" in text or ";" in text or ")" in text:
        text = _COMMENT.sub("", text)
        if "(" in text or ")" in text:
            raise ProgramError(
                line, "a comment is left open or nested", "close it with ) and keep ( ) out of it"
            )
    text = _SPACE.sub("", text)
    if not text.isascii():
        bad = next(x for x in text if not x.isascii())
        raise ProgramError(
            line, f"the character {bad!r} stands outside a comment", "put it in ( ) or remove it"
        )
    return text.upper()


def kept(text: str, *, block_delete: bool) -> str:
    """Return what is left of a bare line that may begin with / (and the switch's number)."""
    if not text.startswith("/"):
        return text
    return "" if block_delete else text.lstrip("/0123456789")


def without_number(text: str) -> str:
    """Cut the line number off a bare line."""
    if text[:1] == "N":
        found = _LINE_NUMBER.match(text)
        if found is not None:
            return text[found.end() :]
    return text


def parse_block(text: str, line: int, parameters: Parameters) -> Block:
    """Read the words of a bare line.

    Raises
    ------
    ProgramError
        Anything the standard calls an error.
    """
    block = Block()
    scan = Scanner(without_number(text), line, parameters)
    text = scan.text
    while scan.at < len(text):
        letter = text[scan.at]
        scan.at += 1
        if letter == "#":
            key = scan.key()
            if text[scan.at : scan.at + 1] != "=":
                raise scan.error("a parameter stands alone", "write #number=value")
            scan.at += 1
            block.sets.append((key, scan.value()))
            continue
        if letter not in _LETTERS:
            raise scan.error(f"'{letter}' begins no word", "remove it or put it in ( )")
        value = scan.value()
        if letter == "G":
            _add_g(block, value, scan)
        elif letter == "M":
            _add_m(block, value, scan)
        elif letter in block.words:
            raise scan.error(f"two {letter} words", "leave one of them")
        else:
            block.words[letter] = value
            if letter not in _KNOWN_LETTERS:
                block.unknown.append(letter)
    block.constant = scan.constant
    block.odd = block.words.keys() - _ALWAYS_USED
    if block.sets:
        block.alone = False
    elif block.m:
        block.alone = len(block.m) == 1 and not (block.g or block.others or block.words)
    else:
        block.alone = block.g == _DWELL and block.words.keys() == {"P"} and not block.others
    return block


def _add_g(block: Block, value: float, scan: Scanner) -> None:
    tenths = round(value * 10)
    if abs(value * 10 - tenths) > 1e-3 or not 0 <= tenths < 10_000:
        raise scan.error(
            f"there is no code G{figure(value)}",
            "write a code of up to one decimal, from G0 to G999.9, or put the word in ( )",
        )
    if tenths in REFUSED:
        raise scan.error(
            f"G{value:g} ({REFUSED[tenths]}) is not followed: lengths would be wrong",
            "post the program again without it",
        )
    group = GROUP_OF.get(tenths)
    if group is None:
        block.others.append(tenths)
    elif block.g.setdefault(group, tenths) != tenths:
        raise scan.error(
            f"G{block.g[group] / 10:g} and G{value:g} can't stand on one line ({group})",
            "leave one of them",
        )


def _add_m(block: Block, value: float, scan: Scanner) -> None:
    if not 0 <= value < 10_000:
        raise scan.error(
            f"there is no code M{figure(value)}",
            "write a code from M0 to M9999, or put the word in ( )",
        )
    group = _M_GROUPS.get(value)
    for other in block.m:
        if group is not None and _M_GROUPS.get(other) == group and other != value:
            raise scan.error(
                f"M{figure(other)} and M{figure(value)} can't stand on one line",
                "leave one of them",
            )
    if value not in block.m:
        block.m.append(value)
