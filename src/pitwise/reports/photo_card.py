"""The sheet of photo cards as a PDF, to be printed at 100 %."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pitwise.measure.photo.card_layout import CARDS, SHEET_MM, Card, sheet_svg

from .typeset import typeset

TEMPLATE = Path(__file__).parent / "templates" / "photo_card.typ"
_LINES = (
    "Print at 100 %, unmirrored, without 'fit to page', on matt paper; a laser printer's black "
    "is best.",
    "Measure both check lines with a steel rule. Not 50 mm each? Enter what you measured with the "
    "shop's card; far off: print again.",
    "The greys are nominal until you measure the six of them, darkest first, and enter them.",
    "Glue to stiff board, cut along the dashes. The part's face stands in the window, level with "
    "the card's face. Nothing shiny, wet or bent.",
)
# No moment belongs to the sheet: it is the same whenever it's made.
_MOMENT = (2000, 1, 1, 0, 0, 0)


def card_pdf(cards: Sequence[Card] = CARDS) -> bytes:
    """Make the sheet of cards.

    Parameters
    ----------
    cards : sequence of Card

    Returns
    -------
    bytes
        A PDF of one page that A4 and Letter paper take at 100 %; vectors only. The same
        arguments give the same bytes.

    Raises
    ------
    DocumentError
        The typesetter failed.
    """
    data = {
        "title": "Photo cards",
        "lines": list(_LINES),
        "sheet": sheet_svg(cards),
        "width": SHEET_MM[0],
        "alt": "Cards with black-and-white markers and grey squares around a window, and two "
        "check lines of 50 mm",
    }
    return typeset(TEMPLATE, data, _MOMENT)
