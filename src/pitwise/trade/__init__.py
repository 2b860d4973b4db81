"""What the trade knows, as data: parts, findings, limits, pairings, cautions."""

from pitwise.trade.loader import SheetError, base_sheet, load_sheet
from pitwise.trade.model import (
    Action,
    Caution,
    Constant,
    Contradiction,
    Coolant,
    Figure,
    Finding,
    Growth,
    Limit,
    Pairing,
    Part,
    ProcessSelector,
    Sheet,
)

__all__ = [
    "Action",
    "Caution",
    "Constant",
    "Contradiction",
    "Coolant",
    "Figure",
    "Finding",
    "Growth",
    "Limit",
    "Pairing",
    "Part",
    "ProcessSelector",
    "Sheet",
    "SheetError",
    "base_sheet",
    "load_sheet",
]
