"""Charts: one pure function makes a specification, one turns it into SVG."""

from .ahead import PlateRun, ahead_chart
from .model import EarlierElectrode, LimitLine, NoReadings, PitPoint, describe
from .pit import pit_chart
from .svg import svg_of

__all__ = [
    "EarlierElectrode",
    "LimitLine",
    "NoReadings",
    "PitPoint",
    "PlateRun",
    "ahead_chart",
    "describe",
    "pit_chart",
    "svg_of",
]
