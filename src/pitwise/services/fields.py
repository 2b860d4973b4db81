"""Check what people type into forms; every refusal names the field and the mend."""

from __future__ import annotations

import re
import unicodedata

from pitwise.services.errors import ServiceError

# They turn the text round them about: a name, or a reason in the trail, would read as another.
_DIRECTION = dict.fromkeys(
    [*range(0x202A, 0x202F), *range(0x2066, 0x206A), 0x200E, 0x200F],
)

_KEY = re.compile(r"[A-Za-z0-9_-]{8,64}")


def check_key(key: str) -> str:
    """Return a submission key made on the tablet; refuse anything else."""
    if not _KEY.fullmatch(key or ""):
        raise ServiceError(
            "key", "the submission carries no key", "reload the page, then do it again"
        )
    return key


# Whatever ends a line or jumps along it: in a name it would read as two, or tear a table.
_BREAK = re.compile(r" *[\t\n\v\f\r\x85\u2028\u2029][ \t\n\v\f\r\x85\u2028\u2029]*")


def clean_text(
    place: str,
    value: str | None,
    *,
    longest: int = 80,
    empty_ok: bool = False,
    lines: bool = False,
) -> str:
    """Return trimmed text without direction marks; refuse empty, too long, or control characters.

    Other format characters stay: scripts need joiners to write names. Without `lines` it is
    one line: breaks and tabs are folded to a space. Notes and reasons may have more.
    """
    text = unicodedata.normalize("NFC", (value or "").translate(_DIRECTION).strip())
    if not lines:
        text = _BREAK.sub(" ", text)
    if not text and not empty_ok:
        raise ServiceError(place, "is empty", "fill it in")
    if len(text) > longest:
        raise ServiceError(place, f"is longer than {longest} characters", "shorten it")
    if any(unicodedata.category(c) in ("Cc", "Cs", "Co", "Cn") and c not in "\n\t" for c in text):
        raise ServiceError(place, "has a character that can't be shown", "type it again")
    return text


def whole_number(place: str, value: str | None, *, low: int = 0, high: int = 10**9) -> int | None:
    """Return a whole number, or None for an empty field."""
    text = unicodedata.normalize("NFKC", (value or "").strip()).replace(" ", "")
    text = text.replace("\u202f", "").replace("'", "")
    if not text:
        return None
    if not text.isascii() or not text.isdigit() or len(text) > 12:
        raise ServiceError(place, f"'{text[:20]}' is not a whole number", "use digits only")
    number = int(text)
    if not low <= number <= high:
        raise ServiceError(place, f"{number} is out of range", f"give {low} to {high}")
    return number


def decimal_number(
    place: str, value: str | None, *, low: float = 0.0, high: float = 1e9
) -> float | None:
    """Return a number with a dot or comma, or None for an empty field."""
    text = unicodedata.normalize("NFKC", (value or "").strip()).replace(",", ".")
    if not text:
        return None
    if len(text) > 20 or not all(c in "0123456789." for c in text) or text.count(".") > 1:
        raise ServiceError(place, f"'{text[:20]}' is not a number", "write it as 12.5")
    if text == ".":
        raise ServiceError(place, "'.' is not a number", "write it as 12.5")
    number = float(text)
    if not low <= number <= high:
        raise ServiceError(place, f"{number:g} is out of range", f"give {low:g} to {high:g}")
    return number


def signed_number(place: str, value: str | None) -> float | None:
    """Return a number that may be below nothing, or None for an empty field."""
    text = unicodedata.normalize("NFKC", (value or "").strip())
    minus = text[:1] in ("-", "\u2212", "\u2013")
    number = decimal_number(place, text[1:] if minus or text[:1] == "+" else text)
    if number is None:
        if text:
            raise ServiceError(place, f"'{text[:20]}' is not a number", "write it as -12.5")
        return None
    return -number if minus else number
