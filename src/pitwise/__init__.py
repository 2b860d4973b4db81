"""Pitwise: inspection, decisions and records for plasma torch wear parts."""

from importlib.metadata import version as _version

__version__ = _version("pitwise")
