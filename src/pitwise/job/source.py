"""Bytes of a program file -> its lines, in bounded memory."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import chain

from pitwise.job.model import MAX_LINE, ProgramError

BLOCK_BYTES = 1 << 18


def program_lines(blocks: Iterable[bytes]) -> Iterator[str]:
    """Cut blocks of bytes into lines without their ends.

    Lines end in LF, CR LF or CR. Text is UTF-8; what is not becomes a replacement mark, which
    is harmless in a comment and refused anywhere else.

    Parameters
    ----------
    blocks : iterable of bytes

    Raises
    ------
    ProgramError
        Another encoding, a file that is no text, or a line longer than `MAX_LINE`.
    """
    return chain.from_iterable(_cut(blocks))


def _cut(blocks: Iterable[bytes]) -> Iterator[list[str]]:
    rest = b""
    line = 0
    for number, given in enumerate(blocks):
        block = rest + given
        if number == 0:
            block = _opening(block)
        if b"\0" in given:
            raise ProgramError(
                line + 1, "this is no text", "give the program itself, saved as plain text (UTF-8)"
            )
        # A CR at the very end may be half of a CR LF.
        end = max(block.rfind(b"\n"), block.rfind(b"\r", 0, -1)) + 1
        rest = block[end:]
        if len(rest) > 4 * MAX_LINE:
            raise _too_long(line + 1 + block.count(b"\n"))
        if end:
            lines = _text_lines(block[:end])
            lines.pop()
            line += len(lines)
            yield lines
    if rest:
        lines = _text_lines(rest)
        if lines[-1] == "":
            lines.pop()
        yield lines


def _text_lines(block: bytes) -> list[str]:
    text = block.decode("utf-8", "replace")
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    return text.split("\n")


def _opening(block: bytes) -> bytes:
    if block.startswith((b"\xff\xfe", b"\xfe\xff")) or block[1:2] == b"\0" or block[:1] == b"\0":
        raise ProgramError(1, "this is UTF-16 text or no text", "save the program as UTF-8 text")
    return block.removeprefix(b"\xef\xbb\xbf")


def _too_long(line: int) -> ProgramError:
    return ProgramError(
        line, f"the line is longer than {MAX_LINE} characters", "check that this is a program"
    )
