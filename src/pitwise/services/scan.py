"""Read the code on a box or a part: typed by a scanner, or in a photo.

A photo is read and thrown away: nothing of it is kept. What reads it is a process under
limits, as for every picture from outside.
"""

from __future__ import annotations

from dataclasses import dataclass

from pitwise.services import intake, scan_child
from pitwise.services.errors import ServiceError
from pitwise.services.fields import clean_text
from pitwise.services.file_text import clean_name
from pitwise.services.intake import Stream
from pitwise.services.limited import Limits, private_folder, run_limited
from pitwise.services.permissions import Actor, require
from pitwise.services.shelf_codes import by_code
from pitwise.services.shelf_model import Found
from pitwise.services.shopfloor import Shop

LONGEST_CODE = 200
# The whole of a large photo is looked at up to eight times.
READING = Limits(cpu_s=40, wall_s=60.0)
_WORKER = "pitwise.services.scan_child"


@dataclass(frozen=True)
class Scanned:
    """What a photo's codes lead to.

    Attributes
    ----------
    found : tuple of Found
        What the book knows, the nearest to the middle of the photo first.
    unknown : tuple of str
        Codes that were read and that nothing in the book has.
    """

    found: tuple[Found, ...]
    unknown: tuple[str, ...]


def typed(shop: Shop, actor: Actor, code: str) -> Found:
    """Return what a code stands for, as a scanner types it or a hand.

    Raises
    ------
    ServiceError
        It is empty, or nothing in the book has it.
    """
    require(actor, "shelf")
    return by_code(shop, actor, clean_text("code", code, longest=LONGEST_CODE))


def read_photo(
    shop: Shop, actor: Actor, stream: Stream, *, name: str = "photo", limits: Limits = READING
) -> Scanned:
    """Read the codes in a photo and say what they stand for.

    Parameters
    ----------
    shop, actor
    stream : with read(size)
    name : str
        What the file was called, for messages only.
    limits : Limits

    Raises
    ------
    ServiceError
        It is no photo, or no code could be read in it; names the mend.
    BookError
        No room for temporary files.
    """
    require(actor, "shelf")
    codes = codes_in(stream, name=name, limits=limits)
    found: dict[tuple[str, int], Found] = {}
    unknown = []
    for code in codes:
        try:
            one = by_code(shop, actor, code)
        except ServiceError:
            # Nobody's, or longer than any code of the book's.
            unknown.append(code)
        else:
            found.setdefault((one.kind, one.id), one)
    return Scanned(tuple(found.values()), tuple(unknown))


def codes_in(stream: Stream, *, name: str = "photo", limits: Limits = READING) -> list[str]:
    """Return the texts of the codes in a photo, the nearest to its middle first.

    Errors as `read_photo`.
    """
    place = clean_name(name) or "photo"
    with private_folder() as folder:
        intake.receive(place, stream, folder / scan_child.SENT)
        answer = run_limited(_WORKER, folder, place=place, limits=limits)
    codes = answer.get("codes")
    if not isinstance(codes, list):
        raise ServiceError(place, "could not be read", "take the photo again")
    out = []
    for code in codes[: scan_child.MOST_CODES]:
        try:
            out.append(clean_text(place, str(code), longest=LONGEST_CODE))
        except ServiceError:
            # Bytes that are no text can be nobody's code here.
            continue
    if not out:
        raise ServiceError(
            "code",
            "none could be read in the photo",
            "hold the camera square on and nearer, without glare; or type what stands beside it",
        )
    return out
