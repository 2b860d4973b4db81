"""Circles through points: the four reference circles, lobes, filter, roundness.

ISO 12181-1 names the reference circles (from memory): least squares, minimum zone, minimum
circumscribed and maximum inscribed.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from .circle_fit import least_squares
from .circle_model import Circle, CircleError, Fit, Inscribed, Zone
from .circle_reach import maximum_inscribed, minimum_circumscribed
from .circle_round import REFERENCES, Reference, Roundness, roundness
from .circle_shape import Harmonic, gaussian_upr, harmonics, polar
from .circle_zone import minimum_zone

__all__ = [
    "REFERENCES",
    "Circle",
    "CircleError",
    "Fit",
    "Harmonic",
    "Inscribed",
    "Reference",
    "Roundness",
    "Zone",
    "circle_report",
    "gaussian_upr",
    "harmonics",
    "least_squares",
    "maximum_inscribed",
    "minimum_circumscribed",
    "minimum_zone",
    "polar",
    "roundness",
]


def _or_none(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def circle_report(points: npt.ArrayLike, cutoff_upr: float | None = None) -> dict[str, Any]:
    """Return everything about points on a circle, as `pitwise circle` prints it.

    Parameters
    ----------
    points : (n, 2) array-like
    cutoff_upr : float, optional
        Filter before the roundness (not before the circles).

    Returns
    -------
    dict
        Numbers in the unit of the points, None where one can't be told. Where two parallel lines
        hold the points as closely as any ring, ``minimum_zone`` is None and ``notes`` says so.

    Raises
    ------
    CircleError
        Points that have no circle.
    """
    p = np.asarray(points, dtype=float)
    fit = least_squares(p)
    around, within = minimum_circumscribed(p), maximum_inscribed(p)
    notes = []
    reference: Reference = "MZ"
    zone: dict[str, Any] | None = None
    try:
        ring = minimum_zone(p)
    except CircleError as error:
        reference = "LS"
        notes.append(f"minimum zone: {error.place} {error.problem}; {error.mend}")
    else:
        zone = {
            "x": ring.x,
            "y": ring.y,
            "width": ring.width,
            "inner_r": ring.inner_r,
            "outer_r": ring.outer_r,
        }
    if not within.held:
        notes.append(
            "inscribed: no three points hold a circle; its centre is on the edge of their hull"
        )
    u = [_or_none(math.sqrt(x)) if x >= 0 else None for x in np.diag(fit.covariance)]
    lobes = harmonics(p, (fit.x, fit.y))
    round_ = roundness(p, cutoff_upr, reference)
    about = {
        "least_squares": (fit.x, fit.y),
        "circumscribed": (around.x, around.y),
        "inscribed": (within.x, within.y),
    }
    spread = {name: float(np.ptp(np.hypot(*(p - c).T))) for name, c in about.items()}
    return {
        "points": len(p),
        "least_squares": {
            "x": fit.x,
            "y": fit.y,
            "r": fit.r,
            "u_x": u[0],
            "u_y": u[1],
            "u_r": u[2],
            "residual_sd": _or_none(fit.residual_sd),
        },
        "minimum_zone": zone,
        "circumscribed": {"x": around.x, "y": around.y, "r": around.r},
        "inscribed": {"x": within.x, "y": within.y, "r": within.r, "held": within.held},
        "harmonics": [
            {
                "upr": h.upr,
                "amplitude": h.amplitude,
                "phase_deg": h.phase_deg,
                "u": _or_none(h.u),
            }
            for h in lobes
        ],
        "roundness": {
            "value": round_.value,
            "reference": round_.reference,
            "noise_floor": round_.noise_floor,
            "u": round_.u,
            "noise_sd": round_.noise_sd,
            "filter_upr": cutoff_upr,
            "unfiltered": {"minimum_zone": zone and zone["width"], **spread},
        },
        "notes": notes,
    }
