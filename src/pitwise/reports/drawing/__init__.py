"""Pitwise's own line drawings: the torch opened out, its parts, action marks, findings, logo."""

from .brand import logo
from .chance import chance_bar
from .compose import Layout, part_drawing, torch_drawing
from .icons import FINDING_SLUGS, finding_icon
from .marks import ACTION_WORDS, action_mark
from .parts import PART_SLUGS
from .stock import STOCK_WORDS, stock_mark

__all__ = [
    "ACTION_WORDS",
    "FINDING_SLUGS",
    "PART_SLUGS",
    "STOCK_WORDS",
    "Layout",
    "action_mark",
    "chance_bar",
    "finding_icon",
    "logo",
    "part_drawing",
    "stock_mark",
    "torch_drawing",
]
