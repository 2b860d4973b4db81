"""From the profile in pixels to circles, roundness and nicks in millimetres on the face."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pitwise.measure.circle import (
    gaussian_upr,
    least_squares,
    maximum_inscribed,
    minimum_circumscribed,
    minimum_zone,
)
from pitwise.measure.photo.budget import correlated
from pitwise.measure.photo.nick import Nick, find_nicks
from pitwise.measure.photo.pose import Plane
from pitwise.measure.photo.profile import Profile, grown, local_median
from pitwise.measure.photo.result import Circles, NickFound, PlaneCircle

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_DRAWS = 48
_SEED = 20252
# Points of the profile that the reference circles are put through.
_POINTS = 240
# So many places in a row that show no edge are worth a word.
_RUN = 5
_DROP_PX = 0.8
# From this depth on a nick's own edge was followed.
_TRACED_PX = 4.0
# Light within a nick, over the hole's dark and as a share of the step: a drop's shadow has more.
_DARK, _DARK_SHARE = 0.12, 0.3


@dataclass(frozen=True)
class Shape:
    """The hole's shape, mm, x right and y up from the rim's centre."""

    x_mm: float
    y_mm: float
    diameter_mm: float
    roundness_mm: float
    without_nicks_mm: float
    noise_floor_mm: float
    spread_mm: float
    nicks: tuple[NickFound, ...]
    doubtful_deg: tuple[float, ...]
    circles: Circles
    angle_deg: Array
    radius_mm: Array
    filtered_mm: Array
    masked: Flags
    edge_px: Array
    unmasked_diameter_mm: float
    unmasked_roundness_mm: float


def _points(angle: Array, radius: Array) -> Array:
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])


def _about(centre: tuple[float, float], angle: Array, radius: Array) -> Array:
    """Return the radii of a profile about another centre, at the same angles."""
    p = _points(angle, radius) - np.array(centre)
    turn = np.arctan2(p[:, 1], p[:, 0]) % (2 * math.pi)
    order = np.argsort(turn)
    r = np.hypot(p[:, 0], p[:, 1])
    return np.asarray(np.interp(angle, turn[order], r[order], period=2 * math.pi))


def _zone_points(
    angle: Array, filtered: Array, nicks: list[Nick], bitten: Array | None = None
) -> Array:
    """Return the filtered profile with its nicks at full depth, thinned to `_POINTS`."""
    grid = np.arange(_POINTS, dtype=np.float64) * (2 * math.pi / _POINTS)
    mean = float(np.mean(filtered))
    at = np.sort(np.append(grid, [nick.angle % (2 * math.pi) for nick in nicks]))
    radius = np.interp(at, angle, filtered, period=2 * math.pi)
    bite = np.zeros(at.size)
    for nick in nicks:
        # The edge goes down into a nick: what is missing there holds no circle.
        along = np.abs((at - nick.angle + math.pi) % (2 * math.pi) - math.pi) * mean
        wide = max(nick.width, 1e-6)
        shape = np.where(along < wide, np.cos(math.pi * along / (2 * wide)) ** 2, 0.0)
        if nick.depth > _TRACED_PX and bitten is not None:
            # A deep one was followed: its own edge, up to the depth at its tip.
            own = np.clip(np.interp(at, angle, bitten, period=2 * math.pi), 0.0, nick.depth)
            shape = np.where(along < 1.5 * wide, own / nick.depth, 0.0)
            shape[np.argmin(along)] = 1.0
        bite = np.maximum(bite, nick.depth * shape)
    return _points(at, radius + bite)


def _stretches(angle: Array, flags: Flags) -> list[float]:
    """Return the middle angles of runs of at least `_RUN` flagged places."""
    if flags.all() or not flags.any():
        return []
    first = int(np.argmin(flags))
    found, run = [], 0
    for k in range(first, first + flags.size + 1):
        if flags[k % flags.size]:
            run += 1
        else:
            if run >= _RUN:
                found.append(float(angle[(k - 1 - run // 2) % flags.size]))
            run = 0
    return found


def _beside(nick: Nick, angle: Array, blocked: Flags, radius: float) -> bool:
    apart = np.abs((angle - nick.angle + math.pi) % (2 * math.pi) - math.pi) * radius
    return bool(np.any(blocked[apart < 0.6 * nick.width + 3.0]))


def _as_dark(nick: Nick, angle: Array, depths: Array, radius: float) -> bool:
    """Return whether what lies in a nick is as dark as the hole, over a good part of it."""
    apart = np.abs((angle - nick.angle + math.pi) % (2 * math.pi) - math.pi) * radius
    core = apart < max(0.6 * nick.width, 2.0)
    return bool(core.any() and np.mean(depths[core] < _DARK) > _DARK_SHARE)


def _white_noise_floor(
    angle: Array, sd: float, cutoff: float, radius: float, alike: float
) -> tuple[float, float]:
    """Return mean and standard deviation of the roundness that noise alone shows.

    Seeded draws of a perfect circle with noise of `sd`, correlated over `alike` sectors, under
    the same filter.
    """
    rng = np.random.default_rng(_SEED)
    n = angle.size
    noise = rng.standard_normal((_DRAWS, n))
    reach = max(round(alike), 1)
    smooth = sum(np.roll(noise, k, 1) for k in range(reach)) / math.sqrt(reach)
    widths = []
    for row in np.asarray(smooth):
        r = gaussian_upr(radius + sd * row, cutoff)
        # The least-squares centre's zone, a few per cent above the minimum one.
        wave = r - r.mean()
        c, s = 2 * np.mean(wave * np.cos(angle)), 2 * np.mean(wave * np.sin(angle))
        wave = wave - c * np.cos(angle) - s * np.sin(angle)
        widths.append(0.94 * float(np.ptp(wave)))
    return float(np.mean(widths)), float(np.std(widths))


def shape_of(
    profile: Profile, plane: Plane, cutoff: float, alarm: float, *, nicks: bool = True
) -> Shape:
    """Return the shape of a profile.

    Parameters
    ----------
    profile : Profile
    plane : Plane
    cutoff : float
        Gaussian filter, UPR at 50 %.
    alarm : float
        Nicks' false-alarm rate around the whole edge.
    nicks : bool
        Whether nicks are looked for: a pit's soft edge has none that a photo could tell.
    """
    mm = 1.0 / plane.px_per_mm
    # y up from here on: the angles run the other way.
    angle = (2 * math.pi - profile.angle)[::-1]
    radius, smooth = profile.radius[::-1], profile.smooth[::-1]
    masked = profile.masked[::-1]
    blocked = masked | ~np.isfinite(radius)
    found = (
        find_nicks(angle, np.where(blocked, smooth, radius), smooth, blocked, alarm, profile.blur)
        if nicks
        else []
    )
    step = 2 * math.pi * float(np.mean(smooth)) / angle.size
    # Beside a place left out, a drop of spatter and a nick look alike: said, not counted. But a
    # drop is not as dark as the hole, nor lit as the wall beside it.
    foreign = profile.spatter[::-1]
    depths = profile.depth[::-1]
    mean = float(np.mean(smooth))
    usual = local_median(
        np.where(blocked | profile.outward[::-1], np.nan, depths), max(angle.size // 12, 8)
    )
    doubtful = [
        n
        for n in found
        if not _as_dark(
            n,
            angle,
            depths if _beside(n, angle, foreign, mean) else depths - np.maximum(usual, 0.0),
            mean,
        )
    ]
    found = [n for n in found if n not in doubtful]
    nicked = np.zeros(angle.size, bool)
    for nick in found + doubtful:
        apart = np.abs((angle - nick.angle + math.pi) % (2 * math.pi) - math.pi)
        nicked |= apart * float(np.mean(smooth)) < nick.width + 2.5 * profile.blur + step
    # A drop well inside of the edge hides what lies behind it.
    behind = profile.inward & (profile.smooth - profile.radius > _DROP_PX)
    unseen = _stretches(angle, (profile.hidden | grown(behind, 2) | profile.white)[::-1] & ~nicked)
    out = blocked | nicked | profile.outward[::-1]
    filled = np.where(out, smooth, radius)
    circle = least_squares(_points(angle, filled))
    centre = (circle.x, circle.y)
    about = _about(centre, angle, filled)
    filtered = gaussian_upr(about, cutoff)
    plain = minimum_zone(_zone_points(angle, filtered, []))
    points = _zone_points(angle, filtered, found, np.where(blocked, 0.0, radius - smooth))
    zone = minimum_zone(points) if found else plain
    circumscribed = minimum_circumscribed(points)
    inscribed = maximum_inscribed(points)
    floor, spread = _white_noise_floor(angle, profile.sd, cutoff, circle.r, correlated(profile))
    whole = np.where(np.isfinite(radius), radius, smooth)
    bare = least_squares(_points(angle, whole))
    bare_zone = minimum_zone(
        _zone_points(angle, gaussian_upr(_about((bare.x, bare.y), angle, whole), cutoff), [])
    )
    x = (profile.centre[0] + circle.x) * mm
    y = (-profile.centre[1] + circle.y) * mm

    def placed(cx: float, cy: float, r: float) -> PlaneCircle:
        return PlaneCircle(x + cx * mm, y + cy * mm, r * mm)

    fx = profile.centre[0] + radius * np.cos(angle)
    fy = profile.centre[1] - radius * np.sin(angle)
    px, py = plane.to_px(fx, fy)
    own = _points(angle, radius) - np.array(centre)
    return Shape(
        x,
        y,
        2 * circle.r * mm,
        zone.width * mm,
        plain.width * mm,
        floor * mm,
        spread * mm,
        tuple(
            NickFound(math.degrees(n.angle) % 360.0, n.depth * mm, n.width * mm, n.strength)
            for n in sorted(found, key=lambda n: -n.depth)
        ),
        tuple(
            sorted(
                {round(math.degrees(n.angle) % 360.0) for n in doubtful}
                | {round(math.degrees(a) % 360.0) for a in unseen}
            )
        ),
        Circles(
            placed(0, 0, circle.r),
            placed(zone.x, zone.y, zone.inner_r),
            placed(zone.x, zone.y, zone.outer_r),
            placed(circumscribed.x, circumscribed.y, circumscribed.r),
            placed(inscribed.x, inscribed.y, inscribed.r),
        ),
        np.degrees(np.arctan2(own[:, 1], own[:, 0])) % 360.0,
        np.hypot(own[:, 0], own[:, 1]) * mm,
        filtered * mm,
        grown(masked, 0),
        np.column_stack([px, py]),
        2 * bare.r * mm,
        bare_zone.width * mm,
    )
