"""Charts: one pure function makes a specification, one turns it into SVG."""

from .ahead import PlateRun, ahead_chart
from .model import EarlierElectrode, LimitLine, NoReadings, PitPoint, describe
from .pit import pit_chart
from .svg import svg_of
from .wear import Interval, RateBar, Scored, rate_chart, scored_chart, tenths_chart

__all__ = [
    "EarlierElectrode",
    "Interval",
    "LimitLine",
    "NoReadings",
    "PitPoint",
    "PlateRun",
    "RateBar",
    "Scored",
    "ahead_chart",
    "describe",
    "pit_chart",
    "rate_chart",
    "scored_chart",
    "svg_of",
    "tenths_chart",
]
