"""Which signs the packaged fonts can print, and what stands for those they can't.

A document must look the same on every machine, so it never borrows the machine's fonts. A name
written in a script that no packaged font has is spelled by its code points: odd to read, but
never lost, and never an empty box.
"""

from __future__ import annotations

import functools
import re
import struct
from pathlib import Path

FONTS = Path(__file__).parent / "fonts"
#: The typeface, then the one that stands in for scripts it lacks.
FAMILIES = ("Atkinson Hyperlegible Next", "Noto Sans")
_LONGEST_WORD = 24
_ZERO_WIDTH_SPACE = "\u200b"


def font_files() -> list[Path]:
    """Return the packaged fonts' files, in a fixed order."""
    return sorted(FONTS.rglob("*.ttf"))


def _segments(table: bytes) -> set[int]:
    """Return the characters of a format 4 subtable that have a glyph."""
    (double,) = struct.unpack_from(">H", table, 6)
    count = double // 2
    ends = struct.unpack_from(f">{count}H", table, 14)
    starts = struct.unpack_from(f">{count}H", table, 16 + double)
    deltas = struct.unpack_from(f">{count}H", table, 16 + 2 * double)
    base = 16 + 3 * double
    offsets = struct.unpack_from(f">{count}H", table, base)
    out = set()
    for i in range(count):
        for code in range(starts[i], min(ends[i], 0xFFFE) + 1):
            glyph = code
            if offsets[i]:
                place = base + 2 * i + offsets[i] + 2 * (code - starts[i])
                (glyph,) = struct.unpack_from(">H", table, place)
                if glyph == 0:
                    continue
            if (glyph + deltas[i]) & 0xFFFF:
                out.add(code)
    return out


def coverage(path: Path) -> frozenset[int]:
    """Return the code points a TrueType font has glyphs for.

    Parameters
    ----------
    path : pathlib.Path

    Returns
    -------
    frozenset of int

    Raises
    ------
    ValueError
        The font has no Unicode character map of format 4.

    Notes
    -----
    Reads the basic plane only: ISO/IEC 14496-22 (Open Font Format), 'cmap' format 4.
    """
    data = path.read_bytes()
    (tables,) = struct.unpack_from(">H", data, 4)
    for i in range(tables):
        tag, _, start, _ = struct.unpack_from(">4sIII", data, 12 + 16 * i)
        if tag != b"cmap":
            continue
        (maps,) = struct.unpack_from(">H", data, start + 2)
        for j in range(maps):
            platform, _, offset = struct.unpack_from(">HHI", data, start + 4 + 8 * j)
            table = data[start + offset :]
            if platform in (0, 3) and struct.unpack_from(">H", table)[0] == 4:
                return frozenset(_segments(table))
    raise ValueError(f"{path.name} has no character map of format 4")


@functools.cache
def _printable() -> frozenset[int]:
    """Code points that both the regular and the bold cut of one family or the other have."""
    cuts: dict[str, list[frozenset[int]]] = {}
    for path in font_files():
        cuts.setdefault(path.stem.split("-")[0], []).append(coverage(path))
    everything: frozenset[int] = frozenset()
    for family in cuts.values():
        everything |= frozenset.intersection(*family)
    # Marks that reorder or hide text have glyphs too, but would let a name pass for another.
    hidden = {*range(0x200B, 0x2010), *range(0x202A, 0x202F), *range(0x2060, 0x2070), 0xFEFF}
    return everything - hidden - set(range(0x20)) - {0x7F, 0xFFFC, 0xFFFD}


def spelled(text: str) -> str:
    """Return text as the packaged fonts can print it.

    Parameters
    ----------
    text : str
        Anything a person typed.

    Returns
    -------
    str
        The same, with each run of signs that no packaged font has written as ``[U+6F22 U+5B57]``,
        and with break places in words too long for a line. Line ends and tabs stay.
    """
    known = _printable()
    out: list[str] = []
    run: list[str] = []
    for sign in [*text, ""]:
        fits = sign == "" or sign in "\n\t" or ord(sign) in known
        if not fits:
            run.append(f"U+{ord(sign):04X}")
            continue
        if run:
            out.append("[" + " ".join(run) + "]")
            run = []
        out.append(sign)
    return _breakable("".join(out))


def _breakable(text: str) -> str:
    def broken(match: re.Match[str]) -> str:
        word = match.group()
        return _ZERO_WIDTH_SPACE.join(word[i : i + 8] for i in range(0, len(word), 8))

    return re.sub(rf"\S{{{_LONGEST_WORD + 1},}}", broken, text)
