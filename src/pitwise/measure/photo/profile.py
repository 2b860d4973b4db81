"""The edge's profile: radius in every direction, and what to leave out."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pitwise.measure.photo.edge import EdgeFit, Sectors, collect, fit_edges
from pitwise.measure.photo.face import Face, Frame
from pitwise.measure.photo.front import Front, basis
from pitwise.measure.photo.wall import find_wall

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_SECTOR_PX = 1.5
# Along a pit's soft edge there is more of texture than of shape.
_FUZZY_SECTOR_PX = 4.0
_FEWEST, _MOST = 96, 900
_TUKEY = 4.685
_TO_SD = 1.4826
# A sector whose step of light is below this share of the usual one shows no edge of the hole.
_LEAST_STEP = 0.3
# A hole's step is also no less than this share of the face's own light beside it: else the wall
# behind the edge is as light as the sooty face, and its own fall-off moves the edge.
_LEAST_OWN_STEP = 0.38
_OTHER_LEVEL = 0.3
_SHARED = 3
# From this depth on the path into a nick is trusted where the fit fails, px.
_DEEP_PX = 1.5
HARMONICS = 10
_FEW = 5
WINDOW = (2.6, 2.8)
_RAMPS = "io"
# A sector of a soft edge is seen if it is known to so many px.
_MOST_FUZZY_U = 2.0
# An emitter is grey and spotted: it takes more to be spatter on it.
_FUZZY_HUE, _FUZZY_LEVEL = 0.2, 0.4
# A wall narrower than this is fitted as a ledge; how far inward the pixels for it are taken.
_NARROW_PX = 4.0
_WALL_REACH = 4.5
_WALL_WINDOW = (3.5, 2.8)
_SAME_DARK = 0.05
# A ring must leave so much less over than none does: a pixel is no Gaussian either.
_WALL_BETTER = 0.8
# Of a ring that does not show plainly, so much of its width can lie within the edge's blur, px.
_UNPARTED_PX = 2.5
# Camera's distance over the rim's radius (common practice, no source; see the budget).
DISTANCE_PER_RADIUS = 26.0


@dataclass(frozen=True)
class Profile:
    """The edge about a centre on the face, face pixels.

    Attributes
    ----------
    centre : (2,) array
    angle : (n,) array
        Clockwise on the screen (y down), radians.
    radius, u : (n,) arrays
    smooth : (n,) array
        Few harmonics through what is not left out.
    white, hidden, inward, spatter : (n,) arrays of bool
        Clipped by glare; no edge of the hole seen; the edge bulges into the hole; what lies
        beside the edge is not the face (the last two: spatter).
    outward : (n,) array of bool
        Outliers outward: nicks, left out of the circle but not masked.
    sd : float
        Robust scatter of the rest about `smooth`.
    blur : float
    fit : EdgeFit
    sectors : Sectors
    inside : (n,) array or None
        Lightest place between the smooth curve and a deep nick's edge, linear light; nan where
        the edge is not deep.
    taken_back : float
        By how much `radius` was made larger for a ring of lit wall that could not be fitted, px.
    unparted : float
        Standard uncertainty of the diameter, px, for what such a ring, or one that the pixels only
        hint at, may still pull.
    """

    centre: Array
    angle: Array
    radius: Array
    u: Array
    smooth: Array
    white: Flags
    hidden: Flags
    inward: Flags
    spatter: Flags
    outward: Flags
    sd: float
    blur: float
    fit: EdgeFit
    sectors: Sectors
    inside: Array | None = None
    taken_back: float = 0.0
    unparted: float = 0.0

    @property
    def masked(self) -> Flags:
        """Return what is left out of every number."""
        return self.white | self.hidden | self.inward

    @property
    def depth(self) -> Array:
        """Return the light inside of the edge: 0 the hole's darkest, 1 the face's."""
        dark = self.fit.dark
        clear = np.isfinite(dark) & (self.fit.bright > dark) & ~self.masked & ~self.outward
        own = dark if self.inside is None else np.where(np.isnan(self.inside), dark, self.inside)
        black = float(np.percentile(dark[clear], 10)) if clear.any() else 0.0
        bright = float(np.median(self.fit.bright[clear])) if clear.any() else 1.0
        return np.asarray((own - black) / max(bright - black, 1e-9))

    @property
    def lean(self) -> float:
        """Return how much more the light rises just outside of the edge on one side.

        Per blur, as a share of the face's light: first harmonic of the outer ramps. Soot dims all
        around; a bevel is lighter than the face towards the lamp and darker away from it.
        """
        slopes = self.fit.slopes
        clear = ~(self.masked | self.outward) & np.isfinite(self.fit.u) & (self.fit.bright > 0)
        if slopes.shape[1] < 2 or np.count_nonzero(clear) < 24:
            return 0.0
        rise = slopes[clear, 1] * self.blur / float(np.median(self.fit.bright[clear]))
        columns = basis(self.angle[clear], 1)
        c = np.linalg.solve(columns.T @ columns, columns.T @ rise)
        return float(math.hypot(c[1], c[2]))

    @property
    def waves(self) -> float:
        """Return the standard deviation of the smooth curve about its own circle, px."""
        wave = self.smooth - self.smooth.mean()
        c = 2 * np.mean(wave * np.cos(self.angle))
        s = 2 * np.mean(wave * np.sin(self.angle))
        return float(np.std(wave - c * np.cos(self.angle) - s * np.sin(self.angle)))

    @property
    def filled(self) -> Array:
        """Return the radius with the smooth curve where the edge is left out or nicked."""
        return np.where(self.masked | self.outward, self.smooth, self.radius)


def grown(flags: Flags, by: int) -> Flags:
    """Return flags spread to `by` neighbours on either side, around the circle."""
    out = flags.copy()
    for k in range(1, by + 1):
        out |= np.roll(flags, k) | np.roll(flags, -k)
    return out


def longest(flags: Flags) -> float:
    """Return the longest run of flags around the circle, as a share of it."""
    if flags.all():
        return 1.0
    first = int(np.argmin(flags))
    run = most = 0
    for flag in np.roll(flags, -first):
        run = run + 1 if flag else 0
        most = max(most, run)
    return most / flags.size


def local_median(values: Array, reach: int) -> Array:
    """Return the running median around the circle over `reach` neighbours on either side."""
    wrapped = np.concatenate([values[-reach:], values, values[:reach]])
    windows = np.lib.stride_tricks.sliding_window_view(wrapped, 2 * reach + 1)
    filled = np.where(np.isfinite(windows).any(1)[:, None], windows, 0.0)
    return np.asarray(np.nanmedian(filled, 1))


def robust_harmonics(
    angle: Array, radius: Array, weight: Array, harmonics: int = HARMONICS, least_sd: float = 0.02
) -> tuple[Array, Array, float]:
    """Fit few harmonics robustly.

    Returns
    -------
    smooth : (n,) array
    robust : (n,) array
        Weights left, 0 for strangers.
    sd : float
    """
    columns = basis(angle, harmonics)
    order = np.repeat(np.arange(harmonics + 1), 2)[1:]
    smooth = np.full(radius.size, float(np.median(radius[weight > 0])))
    mean = float(np.median(radius[weight > 0]))
    # Scatter from one sector to the next tells noise from waves.
    live = weight > 0
    near = live & np.roll(live, 1)
    jump = np.abs(radius - np.roll(radius, 1))[near]
    noise = max(_TO_SD * float(np.median(jump)) / math.sqrt(2) if near.any() else 0.1, least_sd)
    robust = np.ones(radius.size)
    sd = max(_TO_SD * float(np.median(np.abs((radius - smooth)[weight > 0]))), least_sd)
    for turn in range(17):
        # From few waves to many, so that a wide nick is not followed; the few with a wide cut
        # first, so that a lobe is not lost for ever.
        waves: int = 2 if turn < 4 else min(_FEW, harmonics) if turn < 10 else harmonics
        use = columns[:, : 1 + 2 * waves]
        w = weight * robust
        # What a gap leaves open is held to what a hole's waves may be: some 1 % of the radius,
        # less for more waves.
        likely = 0.012 * mean / np.maximum(order[: use.shape[1]], 1) ** 1.5
        ridge = np.diag(np.where(order[: use.shape[1]] > 1, (2 * noise / likely) ** 2, 0.0))
        normal = (use * w[:, None]).T @ use + ridge
        smooth = use @ np.linalg.solve(normal, use.T @ (w * radius))
        off = radius - smooth
        sd = max(_TO_SD * float(np.median(np.abs(off[live]))), least_sd)
        wide = 0.6 * math.pow(0.7, turn - 4) if 3 <= turn < 10 else 0.0
        cut = _TUKEY * max(sd * (1.6 if turn < 4 else 1.0), wide)
        robust = np.clip(1 - (off / cut) ** 2, 0, None) ** 2
    return smooth, robust, sd


def trace_profile(
    frame: Frame,
    face: Face,
    front: Front,
    *,
    fuzzy: bool = False,
    reach: Callable[[Array, Array], Array] | None = None,
) -> Profile:
    """Locate the edge in every direction about the front curve.

    `reach` gives the radius about a centre beyond which another edge begins.
    """
    nodes = front.radius.size
    centre = front.centre
    reference = front.radius
    sigma = max(2.5, face.blur_px) if fuzzy else face.blur_px
    perimeter = 2 * math.pi * float(np.mean(front.smooth))
    if fuzzy:
        count = int(np.clip(perimeter / _FUZZY_SECTOR_PX, _FEWEST // 2, _MOST))
    else:
        count = int(np.clip(perimeter / _SECTOR_PX, _FEWEST, _MOST))
    angle = (np.arange(count, dtype=np.float64) + 0.5) * (2 * math.pi / count)
    at = angle * (nodes / (2 * math.pi))
    fit: EdgeFit | None = None
    sectors: Sectors | None = None
    base = np.zeros(count)
    light = slope = np.zeros((0, 0))
    for turn in range(3 if fuzzy else 2):
        sectors = collect(
            frame.grey,
            frame.white,
            face.plane,
            centre,
            reference,
            3.0 * sigma + (2.5 if fuzzy else _WALL_REACH),
            3.3 * sigma + 2.5,
            count,
        )
        if reach is not None:
            own = np.interp(at, np.arange(nodes + 1), np.append(reference, reference[0]))
            room = reach(centre, angle) - own - 2.0 * face.blur_px - 1.0
            sectors = replace(sectors, used=sectors.used & (sectors.t < room[:, None]))
        light, slope = frame.light(sectors.value)
        fit = fit_edges(sectors, light, slope, sigma=sigma, window=WINDOW, ramps=_RAMPS)
        # The ramps change slowly along the edge: told from the neighbours, they leave the place
        # of the edge less noise.
        if not fuzzy:
            held = np.column_stack(
                [local_median(fit.slopes[:, k], _SHARED) for k in range(fit.slopes.shape[1])]
            )
            fit = fit_edges(
                sectors, light, slope, sigma=fit.sigma, window=WINDOW, ramps=_RAMPS, held=held,
                start=np.where(np.isfinite(fit.u) & (np.abs(fit.e) < 3 * sigma), fit.e, 0.0),
                passes=6,
            )  # fmt: skip
        sigma = float(np.clip(fit.sigma, 0.5, 8.0))
        base = np.interp(at, np.arange(nodes + 1), np.append(reference, reference[0]))
        if fuzzy and turn < 2:
            good = np.isfinite(fit.u) & (fit.u < 2.0) & (np.abs(fit.e) < 4.0)
            if np.count_nonzero(good) < 0.3 * count:
                break
            smooth, _, _ = robust_harmonics(
                angle, np.where(good, base + fit.e, base), good.astype(float), 6, 0.1
            )
            grid = np.arange(nodes) * (2 * math.pi / nodes)
            reference = np.interp(grid, angle, smooth, period=2 * math.pi)
    assert fit is not None  # noqa: S101 -- the loop above runs at least once
    assert sectors is not None  # noqa: S101 -- set with `fit`
    other = _other_hue(frame, face, centre, angle, base, sigma, _FUZZY_HUE if fuzzy else 0.0)
    deep = np.interp(
        at,
        np.arange(nodes + 1),
        np.append(front.radius - front.smooth, front.radius[0] - front.smooth[0]),
    )
    if fuzzy:
        none = np.full(count, np.nan)
        return _judged(
            angle, base + fit.e, fit, sectors, centre, sigma, count, other, none, fuzzy=True
        )
    path = np.where(deep > _DEEP_PX, base, np.nan)
    least = _LEAST_OWN_STEP
    first = _judged(angle, base + fit.e, fit, sectors, centre, sigma, count, other, path, least)
    behind = _behind(first, face, sectors, light, slope, base)
    back = unparted = 0.0
    if behind is not None:
        fit, sigma, back, unparted = behind
        first = _judged(angle, base + fit.e, fit, sectors, centre, sigma, count, other, path, least)
    return replace(first, inside=_inside(frame, face, first), taken_back=back, unparted=unparted)


def _inside(frame: Frame, face: Face, profile: Profile) -> Array:
    """Return the lightest place between the smooth curve and the edge, where that is deep."""
    found = np.full(profile.angle.size, np.nan)
    reach = profile.radius - profile.smooth - 1.5 * profile.blur - 0.5
    deep = np.nonzero(reach > 1.0)[0]
    if not deep.size:
        return found
    h, w = frame.grey.shape
    turn = profile.angle[deep, None]
    at = profile.smooth[deep, None] + reach[deep, None] * np.linspace(0.0, 1.0, 6)
    px, py = face.plane.to_px(
        profile.centre[0] + at * np.cos(turn), profile.centre[1] + at * np.sin(turn)
    )
    ix = np.clip(np.rint(px).astype(np.int64), 0, w - 1)
    iy = np.clip(np.rint(py).astype(np.int64), 0, h - 1)
    light, _ = frame.light(frame.grey[iy, ix].astype(np.float64))
    found[deep] = np.percentile(light, 85, axis=1)
    return found


def _behind(
    first: Profile, face: Face, sectors: Sectors, light: Array, slope: Array, base: Array
) -> tuple[EdgeFit, float, float, float] | None:
    """Fit the edge again with the bore's wall behind it, where the pixels show one.

    A ring that they only hint at is no part of the fit: the pull it may have on the diameter, 0 to
    its light times its width (rectangular), goes into the uncertainty. Where they do show one, but
    not as it should be in too many directions, half the pull is taken back as well.
    Returns the fit, its blur, what was taken back and the standard uncertainty of the rest.
    """
    clear = ~(first.masked | first.outward)
    if not math.isfinite(first.sd) or np.count_nonzero(clear) < 0.5 * clear.size:
        return None
    rim = face.rim.axes[0]
    wall = find_wall(
        sectors,
        light,
        slope,
        first.smooth - base,
        clear,
        first.angle,
        first.blur,
        float(np.mean(first.smooth)),
        (
            math.sin(math.radians(face.plane.tilt_deg)),
            -math.radians(face.plane.tilt_towards_deg),
        ),
        1.0 / (DISTANCE_PER_RADIUS * rim),
    )
    if wall is None:
        return None
    most = float(np.mean((wall.light * np.minimum(wall.width, _UNPARTED_PX))[clear]))
    if wall.chi > _WALL_BETTER:
        return (first.fit, first.blur, 0.0, most / math.sqrt(3)) if wall.chi < 1.0 else None
    # A wide wall is a level and a ramp of its own to each sector; a narrow one is a ledge.
    narrow = wall.width < _NARROW_PX
    held = first.fit.slopes.copy()
    held[:, 0] = np.where(narrow, 0.0, held[:, 0])
    beside = local_median(np.where(clear, first.fit.bright, np.nan), max(clear.size // 20, 8))
    fit = first.fit
    height = np.where(narrow, np.clip(wall.light * beside - wall.dark, 0.0, None), 0.0)
    old = first.fit
    fit = fit_edges(
        sectors, light, slope, sigma=wall.sigma, fixed_sigma=True, window=_WALL_WINDOW,
        ramps=_RAMPS, held=held, ring=(wall.width, height),
        start=np.where(np.isfinite(old.u) & (np.abs(old.e) < 3 * wall.sigma), old.e, 0.0),
        passes=7,
    )  # fmt: skip
    # Where what lies inside is no ledge before the dark after all, the first fit stands.
    moved = fit.e - old.e
    wrong = (
        (fit.dark > wall.dark + _SAME_DARK * np.maximum(beside - wall.dark, 0.0))
        | (moved > 0.15 + 0.5 * wall.light * np.minimum(wall.width, 2.0))
        | (moved < -0.25)
    ) & narrow
    if int(np.sum(wrong & clear)) > 0.25 * max(int(np.sum(narrow & clear)), 1):
        back = 0.25 * most
        return replace(old, e=old.e + back), first.blur, back, most / math.sqrt(12)
    keep = grown(wrong, 1)
    return (
        replace(
            fit,
            e=np.where(keep, old.e, fit.e),
            u=np.where(keep, old.u, fit.u),
            bright=np.where(keep, old.bright, fit.bright),
            dark=np.where(keep, old.dark, fit.dark),
            misfit=np.where(keep, old.misfit, fit.misfit),
        ),
        wall.sigma,
        0.0,
        0.0,
    )


def _other_hue(
    frame: Frame, face: Face, centre: Array, angle: Array, base: Array, sigma: float, least: float
) -> Flags:
    """Return where what lies just outside of the edge has another colour than the face there."""
    if frame.colour is None:
        return np.zeros(angle.size, bool)
    h, w = frame.grey.shape
    hue = []
    for out in (1.5 * sigma + 1.5, 1.5 * sigma + 2.5, 1.5 * sigma + 3.5):
        px, py = face.plane.to_px(
            centre[0] + (base + out) * np.cos(angle), centre[1] + (base + out) * np.sin(angle)
        )
        ix = np.clip(np.rint(px).astype(np.int64), 0, w - 1)
        iy = np.clip(np.rint(py).astype(np.int64), 0, h - 1)
        hue.append(frame.colour[iy, ix] / np.maximum(frame.grey[iy, ix], 0.02))
    mean = np.mean(np.array(hue, np.float64), 0)
    usual = local_median(mean, max(angle.size // 6, 8))
    spread = _TO_SD * float(np.median(np.abs(mean - usual)))
    return np.asarray(
        np.abs(mean - usual) > max(6 * spread, 0.3 * abs(float(np.median(usual))), least)
    )


def _judged(
    angle: Array,
    radius: Array,
    fit: EdgeFit,
    sectors: Sectors,
    centre: Array,
    sigma: float,
    count: int,
    other: Flags,
    path: Array,
    least: float = 0.0,
    *,
    fuzzy: bool = False,
) -> Profile:
    """Say which sectors are left out, and why."""
    near = sectors.used & (np.abs(sectors.t) < 2.0 * sigma + 2.0)
    white = grown(np.any(sectors.white & near, 1), 4)
    step = fit.bright - fit.dark
    seen = np.isfinite(fit.u) & ~white & (step > 0)
    usual = float(np.median(step[seen])) if seen.any() else 1.0
    bad = (
        ~np.isfinite(fit.u)
        | (step < _LEAST_STEP * usual)
        | (step < least * fit.bright)
        | (fit.u > (_MOST_FUZZY_U if fuzzy else 0.8))
        | (np.abs(fit.e) > 2.5 * sigma + 2.0)
    )
    misfit = fit.misfit
    typical = float(np.median(misfit[seen & ~bad])) if (seen & ~bad).any() else 0.1
    bad |= misfit > max(4.0 * typical, 0.4 if fuzzy else 0.12)
    # Spatter across the edge: what lies outside of it is not as bright as the face beside.
    beside = local_median(np.where(bad | white, np.nan, fit.bright), max(count // 10, 8))
    level = np.abs(fit.bright / np.maximum(beside, 1e-9) - 1)
    ordinary = float(np.nanmedian(level[seen])) if seen.any() else 0.1
    spatter = grown((level > max(_FUZZY_LEVEL if fuzzy else _OTHER_LEVEL, 5 * ordinary)) | other, 2)
    hidden = (bad | spatter) & ~white
    hidden = grown(hidden, 1) & ~white
    # On a nick's steep sides no edge can be fitted; the path through the gradients tells there.
    steep = hidden & ~spatter & np.isfinite(path)
    radius = np.where(steep, path, radius)
    hidden &= ~steep
    weight = (~(white | hidden)).astype(np.float64)
    if np.count_nonzero(weight) < 0.25 * count:
        none = np.zeros(count, bool)
        return Profile(
            centre, angle, radius, fit.u, np.full(count, float(np.median(radius))),
            white, hidden, none, spatter, none, math.inf, sigma, fit, sectors,
        )  # fmt: skip
    smooth, robust, sd = robust_harmonics(angle, radius, weight)
    off = radius - smooth
    # One sector far from both of its neighbours is a bad fit: under the blur nothing is so narrow.
    both = np.minimum(np.abs(radius - np.roll(radius, 1)), np.abs(radius - np.roll(radius, -1)))
    spike = (both > 0.6 * np.abs(off)) & (np.abs(off) > max(4.5 * sd, 0.3))
    hidden |= spike
    weight = (~(white | hidden)).astype(np.float64)
    far = max(4.5 * sd, 0.25)
    strange = (robust < 0.05) | (np.abs(off) > far)
    inward = grown(strange & (off < 0) & (weight > 0), 2) & ~white & ~hidden
    outward = grown(strange & (off > 0) & (weight > 0), 1) & ~white & ~hidden & ~inward
    clean = weight * ~(inward | outward)
    if np.count_nonzero(clean) > 0.25 * count:
        # Across a wide gap no more waves are told than have half a length of it.
        gap = longest(clean == 0) * 2 * math.pi
        waves = int(np.clip(1.3 * math.pi / max(gap, 0.1), _FEW, HARMONICS))
        smooth, _, sd = robust_harmonics(angle, radius, clean, waves)
    return Profile(
        centre, angle, radius, fit.u, smooth, white, hidden, inward, spatter | inward, outward,
        sd, sigma, fit, sectors,
    )  # fmt: skip
