"""Charts: one pure function makes a specification, one turns it into SVG."""

from .model import EarlierElectrode, LimitLine, NoReadings, PitPoint, describe
from .pit import pit_chart
from .svg import svg_of

__all__ = [
    "EarlierElectrode",
    "LimitLine",
    "NoReadings",
    "PitPoint",
    "describe",
    "pit_chart",
    "svg_of",
]
