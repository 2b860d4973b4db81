"""Files from anywhere as text and names that can be trusted on a page and a terminal."""

from __future__ import annotations

import codecs
import io
import logging
import re
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager

from pitwise.services.errors import BookError, ServiceError

_CHUNK = 1 << 20
_log = logging.getLogger(__name__)


@contextmanager
def reading(place: str) -> Iterator[None]:
    """Turn whatever goes wrong while a file is read into a refusal of that file.

    Files come from anywhere; one that trips the reader must not take others down with it.
    """
    try:
        yield
    except (ServiceError, BookError):
        raise
    except Exception as error:
        _log.exception("The file %s could not be read", ascii(place))
        words = shown(str(error))[:200]
        raise ServiceError(
            place,
            f"could not be read: {type(error).__name__}{f' ({words})' if words else ''}",
            "export it again; if that is no help, report it with the file: the log has the details",
        ) from error


def clean_name(name: str) -> str:
    """Return a file's name without folders, control and direction characters."""
    return tidy(re.split(r"[/\\]", name)[-1])


def tidy(name: str) -> str:
    """Return a name that fits a row and a line; what ends a long one stays."""
    kept = shown(name)
    stem, dot, ending = kept.rpartition(".")
    if len(kept) > 120 and dot and len(ending) <= 10:
        kept = f"{stem[: 119 - len(ending)]}.{ending}"
    return kept[:120].strip(" .") or "unnamed"


def shown(text: str) -> str:
    """Return text without control and direction characters, for a name or a terminal.

    A byte of a file name that is no text (a lone surrogate, to Python) is shown as ``%FF``.
    """
    told = "".join(
        f"%{ord(c) - 0xDC00:02X}" if "\udc80" <= c <= "\udcff" else c
        for c in unicodedata.normalize("NFC", text)
    )
    return " ".join("".join(c for c in told if unicodedata.category(c)[0] != "C").split())


def encoding_of(place: str, data: bytes) -> str:
    """Tell a file's encoding: UTF-8, UTF-16, or else Latin-1, which takes any byte.

    It is gone through piece by piece, so that a large file is not held twice.

    Raises
    ------
    ServiceError
        It is no text.
    """
    encoding = "utf-8-sig"
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encoding = "utf-16"
    elif data[:200].count(0) > len(data[:200]) // 3:
        encoding = "utf-16-le" if data[1:2] == b"\0" else "utf-16-be"
    decoder, line, nul = codecs.getincrementaldecoder(encoding)(), 1, 0
    for start in range(0, max(1, len(data)), _CHUNK):
        waiting = len(decoder.getstate()[0])
        try:
            text = decoder.decode(data[start : start + _CHUNK], start + _CHUNK >= len(data))
        except UnicodeDecodeError as error:
            if encoding == "utf-8-sig":
                encoding = "latin-1"
                break
            raise ServiceError(
                place,
                f"is not text: its UTF-16 breaks off at byte {start - waiting + error.start}",
                "copy the file again, whole",
            ) from error
        if not nul and "\0" in text:
            nul = line + text.count("\n", 0, text.index("\0"))
        line += text.count("\n")
    if encoding == "latin-1" and b"\0" in data:
        nul = data.count(b"\n", 0, data.index(b"\0")) + 1
    if nul:
        raise ServiceError(
            f"{place}, line {nul}",
            "holds a NUL: this is not a text file",
            "give the cut program, the drawing as text DXF, or a CSV",
        )
    return encoding


def decoded(place: str, data: bytes) -> str:
    """Return a file's text.

    Raises
    ------
    ServiceError
        It is no text.
    """
    return data.decode(encoding_of(place, data))


def text_of(place: str, data: bytes) -> io.TextIOWrapper:
    """Give a file's text to be read bit by bit; its lines are those that editors number.

    Raises
    ------
    ServiceError
        It is no text.
    """
    return io.TextIOWrapper(io.BytesIO(data), encoding_of(place, data), newline=None)
