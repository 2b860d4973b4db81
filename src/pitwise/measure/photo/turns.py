"""Off-centre from photos with the part turned between them: the view's own error cancels."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import chdtrc

from pitwise.measure.photo.mean import DOUBT, Photographed, split
from pitwise.measure.photo.result import Estimate, PhotoRefused, seen_angle_deg
from pitwise.trade.given import InputError

# The view adds to a photo's off-centre what its uncertainty allows for: more than this many
# times it, and what stands still in all photos is the part's own, not turned.
_MOST_VIEW = 4.0


@dataclass(frozen=True)
class FourTurns:
    """Off-centre from photos with the part turned between them and the camera still.

    Attributes
    ----------
    n : int
    off_centre : Estimate
    off_centre_angle_deg, off_centre_angle_u_deg : float
        In the first photo, and the standard uncertainty of it.
    off_centre_xy_mm : tuple of float
    view_xy_mm : tuple of float
        What the view itself added to every photo (tilt, perspective): it turns with nothing and
        cancels.
    turned : {"anticlockwise", "clockwise"}
        As the photos show it.
    scatter_mm : float
        Standard deviation per axis about the model.
    chi2, p_value : float
    warnings : tuple of str
    direction_told : bool
        Whether the photos show that the part was turned, and which way round. A part that is
        well centred does not; nor does one that was not turned at all.
    """

    n: int
    off_centre: Estimate
    off_centre_angle_deg: float
    off_centre_angle_u_deg: float
    off_centre_xy_mm: tuple[float, float]
    view_xy_mm: tuple[float, float]
    turned: str
    scatter_mm: float
    chi2: float
    p_value: float
    warnings: tuple[str, ...]
    direction_told: bool = True

    def plain(self) -> dict[str, Any]:
        """Return it for JSON."""
        return {
            "photos": self.n,
            "off_centre_mm": {
                **self.off_centre.plain(),
                "angle_deg": float(f"{self.off_centre_angle_deg:.7g}"),
                "angle_u_deg": float(f"{self.off_centre_angle_u_deg:.7g}"),
            },
            "view_mm": {"x": self.view_xy_mm[0], "y": self.view_xy_mm[1]},
            "turned": self.turned,
            "scatter_mm": float(f"{self.scatter_mm:.7g}"),
            "chi2": float(f"{self.chi2:.7g}"),
            "p_value": float(f"{self.p_value:.7g}"),
            "warnings": list(self.warnings),
            "refused": None,
        }


def four_turns(
    results: Sequence[Photographed],
    turns_deg: Sequence[float] | None = None,
    *,
    u_turn_deg: float = 5.0,
    u_place_mm: float = 0.0,
) -> FourTurns | PhotoRefused:
    r"""Off-centre of a part turned by a quarter between four photos, the camera still.

    Parameters
    ----------
    results : sequence of HoleMeasured, or what was kept of them
        In the order taken; four, or more.
    turns_deg : sequence of float, optional
        How far the part had been turned at each photo; default: 0, 90, 180, 270. Which way round
        is told from the photos.
    u_turn_deg : float
        Standard uncertainty of each turn: by hand and eye.
    u_place_mm : float
        Standard uncertainty of each vector per axis when larger than the scatter tells.

    Returns
    -------
    FourTurns, or PhotoRefused when the four don't belong together or were not turned

    Notes
    -----
    Photo k shows :math:`v_k = R(\theta_k) e + p`: the part's own e turns with it, the view's p
    (tilt and perspective) does not. Least squares for e and p. With quarter turns
    :math:`\sum R(\theta_k) = 0`, so that p drops out of e altogether:
    :math:`e = \frac14 \sum R(-\theta_k) v_k`, whatever the turns really were: p stands still, so
    the assumed angles cancel it. A turn that is off by δ turns that photo's e by δ: the mean's
    direction is off by δ/√n, its length short by ½δ²|e| (second order). The first photo's
    direction is what the others are told from, so all n slips are counted.
    """
    results = list(results)
    n = len(results)
    if turns_deg is None:
        turns_deg = [90.0 * k for k in range(n)]
    turns = np.radians(np.asarray(turns_deg, dtype=float))
    if n < 4 or turns.shape != (n,):
        raise InputError("photos", f"{n} photos", "give four, each with its turn")
    if abs(np.exp(1j * turns).mean()) > 0.5:
        raise InputError("turns", "the turns lie on one side", "turn the part by 90° each time")
    v = np.array([complex(*r.off_centre_xy_mm) for r in results])

    def solved(way: int) -> tuple[complex, complex, float]:
        a = np.column_stack([np.exp(1j * way * turns), np.ones(n)])
        (e, p), *_ = np.linalg.lstsq(a, v, rcond=None)
        return complex(e), complex(p), float((np.abs(v - a @ np.array([e, p])) ** 2).sum())

    fits = {1: solved(1), -1: solved(-1)}
    way = min(fits, key=lambda k: fits[k][2])
    e, p, rest = fits[way]
    freedom = 2 * n - 4
    scatter = math.sqrt(rest / freedom)
    # Of a photo's whole uncertainty of the off-centre much is p, which doesn't scatter: half is
    # allowed for in judging whether the four agree.
    # What the diameters' own rows say of an edge's noise holds for each axis of the centre too.
    own = float(np.mean([split(r)[0] for r in results])) / math.sqrt(2)
    wobble = math.radians(u_turn_deg) * abs(e)
    expected = math.hypot(max(own, u_place_mm), wobble / math.sqrt(2))
    whole = float(np.mean([r.off_centre.u for r in results]))
    chi2 = rest / max(math.hypot(expected, 0.5 * whole), 1e-9) ** 2
    p_value = float(chdtrc(freedom, chi2))
    if p_value < DOUBT:
        return PhotoRefused(
            "turns",
            f"the four photos don't fit one part turned by quarters: they miss by {scatter:.3f} mm",
            "leave the camera still, turn only the part, by 90° each time, and take all anew",
            feature=results[0].feature,
        )
    # A part that was not turned shows one vector four times: the fit puts all of it on the view.
    allowed = _MOST_VIEW * math.hypot(whole, scatter)
    if abs(p) > allowed and abs(e) < abs(p):
        return PhotoRefused(
            "turns",
            f"the hole is {abs(p):.3f} mm off centre in the same direction in every photo, more "
            "than the camera's tilt can make of these: the part was not turned, or the camera "
            "was turned with it",
            "leave the camera and the seat still, turn only the part, by 90° each time, and take "
            "all four anew",
            feature=results[0].feature,
        )
    warnings = []
    if abs(p) > allowed:
        warnings.append(
            f"The view adds {abs(p):.3f} mm to every photo, more than its tilt tells: hold the "
            "camera straight above the face."
        )
    told = abs(fits[1][2] - fits[-1][2]) >= 2 * max(rest, expected**2)
    if not told:
        warnings.append("The hole is so well centred that which way it was turned can't be told.")
    scale = max(r.diameter.u / max(r.diameter.value, 1e-9) for r in results)
    # Slips of the turns scatter sideways: what they explain of the scatter isn't the length's.
    steady = max(math.sqrt(max(scatter**2 - wobble**2 / 2, 0.0)), own, u_place_mm)
    u = math.sqrt(
        steady**2 / n + (0.5 * math.radians(u_turn_deg) ** 2 * abs(e)) ** 2 + (scale * abs(e)) ** 2
    )
    # Beyond that nothing is known: a direction spread evenly has 360°/√12.
    sideways = math.hypot(steady, wobble)
    u_angle = min(math.degrees(sideways / math.sqrt(n) / max(abs(e), 1e-9)), 360 / math.sqrt(12))
    return FourTurns(
        n,
        Estimate(abs(e), u),
        seen_angle_deg(e.real, e.imag),
        u_angle,
        (e.real, e.imag),
        (p.real, p.imag),
        "anticlockwise" if way > 0 else "clockwise",
        scatter,
        chi2,
        p_value,
        tuple(warnings),
        told,
    )
