"""Charts: one pure function makes a specification, one turns it into SVG."""

from .ahead import PlateRun, ahead_chart
from .cure import Lives, Ratio, lives_chart, ratio_chart
from .demand import StockPoint, stock_chart
from .gauge import components_chart, readings_chart
from .hole import hole_chart
from .model import EarlierElectrode, LimitLine, NoReadings, PitPoint, describe
from .pit import pit_chart
from .svg import svg_of
from .wear import Interval, RateBar, Scored, rate_chart, scored_chart, tenths_chart

__all__ = [
    "EarlierElectrode",
    "Interval",
    "LimitLine",
    "Lives",
    "NoReadings",
    "PitPoint",
    "PlateRun",
    "RateBar",
    "Ratio",
    "Scored",
    "StockPoint",
    "ahead_chart",
    "components_chart",
    "describe",
    "hole_chart",
    "lives_chart",
    "pit_chart",
    "rate_chart",
    "ratio_chart",
    "readings_chart",
    "scored_chart",
    "stock_chart",
    "svg_of",
    "tenths_chart",
]
