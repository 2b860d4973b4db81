"""STAND-IN for the DXF reader built in h-job; removed by its merge."""

from __future__ import annotations

from collections.abc import Collection

from pitwise.job.model import Cut, ProgramCount, ProgramError


def read_dxf(
    data: bytes, *, layers: Collection[str] | None, feed_mm_min: float, pierce_seconds: float
) -> ProgramCount:
    """Count a drawing (stand-in)."""
    text = data.decode("latin-1")
    if "EOF" not in text:
        raise ProgramError(text.count("\n"), "the drawing is cut off", "export it again")
    n = text.count("LINE")
    cuts = tuple(Cut(0, 10.0, 600 / feed_mm_min, pierce_seconds) for _ in range(n))
    return ProgramCount(n, 10.0 * n, 0.1 * n, 0.0, 0.0, 0.0, cuts, ())


def dxf_layers(data: bytes) -> tuple[str, ...]:
    """List layers (stand-in)."""
    return ("CUT",)
