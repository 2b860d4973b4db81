"""The layers of a scene, composed at any points with the exact coverage of their edges."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pitwise.measure.specimen import surface
from pitwise.measure.specimen.camera import Camera
from pitwise.measure.specimen.curve import Curve
from pitwise.measure.specimen.dirt import Dirt
from pitwise.measure.specimen.scene import Ground, Scene
from pitwise.measure.specimen.truth import Truth

Field = NDArray[np.float32]
Floats = NDArray[np.float64]

_DARK = np.float32(0.006)


@dataclass(frozen=True)
class Outline:
    """A closed curve at some depth, with its distance in pixels from points of the picture.

    ``r`` and ``slope`` are tables over angles -pi to pi; None for a circle.
    """

    radius_mm: tuple[float, float]
    r: Field | None
    slope: Field | None
    centre_mm: tuple[float, float]
    back: Floats
    px_per_mm: float

    @classmethod
    def of(cls, edge: Curve, camera: Camera, depth_mm: float = 0.0) -> Outline:
        """Return the outline of a curve of the part's frame."""
        back = np.asarray(np.linalg.inv(camera.homography(depth_mm)), np.float64)
        back /= back[2, 2]
        scale = camera.scene.px_per_mm
        if not edge.lobes and not edge.nicks:
            r = edge.radius_mm
            return cls((r, r), None, None, edge.centre_mm, back, scale)
        tables = []
        for table in edge.table():
            half = len(table) // 2
            tables.append(np.concatenate([table[half:], table[: half + 2]]).astype(np.float32))
        least, most = float(tables[0].min()), float(tables[0].max())
        return cls((least, most), tables[0], tables[1], edge.centre_mm, back, scale)

    def side(self, x: Floats, y: Floats) -> int:
        """Return -1 or 1 when a grid lies clear inside or outside the curve, else 0."""
        at = self.back @ np.array([(x[0] + x[-1]) / 2, (y[0] + y[-1]) / 2, 1.0])
        rho = math.hypot(at[0] / at[2] - self.centre_mm[0], at[1] / at[2] - self.centre_mm[1])
        # Half as much again for what tilt and perspective stretch, and two pixels of edge.
        reach = (0.75 * math.hypot(x[-1] - x[0], y[-1] - y[0]) + 2) / self.px_per_mm
        if rho + reach < self.radius_mm[0]:
            return -1
        return 1 if rho - reach > self.radius_mm[1] else 0

    def polar(self, x: Floats, y: Floats) -> tuple[Field, Field, Field, Field]:
        """Return rho, cos, sin of the angle about the centre and the depth factor, on a grid."""
        g = self.back
        x1, y1 = x.astype(np.float32)[None, :], y.astype(np.float32)[:, None]

        def row(a: float, b: float, c: float) -> Field:
            # Centred on the hole, so that single precision loses nothing at its edge.
            return np.asarray(np.float32(a) * x1 + (np.float32(b) * y1 + np.float32(c)))

        cx, cy = self.centre_mm
        scale = row(*g[2])
        dx = row(*(g[0] - cx * g[2])) / scale
        dy = row(*(g[1] - cy * g[2])) / scale
        rho = np.maximum(np.sqrt(dx * dx + dy * dy), np.float32(1e-9))
        return rho, dx / rho, dy / rho, scale

    def distance(self, x: Floats, y: Floats) -> tuple[Field, Field, Field]:
        """Return the signed distance in pixels (inside negative), the one in mm, and the angle.

        The distance is to first order, the radial one over the gradient's length: exact on the
        curve, where coverage is reckoned.
        """
        g = self.back.astype(np.float32)
        rho, cos, sin, scale = self.polar(x, y)
        angle = np.arctan2(sin, cos)
        if self.r is None or self.slope is None:
            beyond = rho - np.float32(self.radius_mm[0])
            ux, uy = cos, sin
        else:
            place = (angle + np.float32(math.pi)) * np.float32((len(self.r) - 2) / (2 * math.pi))
            low = place.astype(np.int32)
            part = place - low
            r = self.r[low]
            beyond = rho - (r + (self.r[low + 1] - r) * part)
            bend = self.slope[low] / rho
            ux, uy = cos + bend * sin, sin - bend * cos
        # Gradient of rho - r(angle) on the face, carried to pixels by the plane's Jacobian.
        px = rho * cos + np.float32(self.centre_mm[0])
        py = rho * sin + np.float32(self.centre_mm[1])
        gx = (g[0, 0] - g[2, 0] * px) * ux + (g[1, 0] - g[2, 0] * py) * uy
        gy = (g[0, 1] - g[2, 1] * px) * ux + (g[1, 1] - g[2, 1] * py) * uy
        steep = np.sqrt(gx * gx + gy * gy) / scale
        return np.asarray(beyond / steep), beyond, angle


@dataclass(frozen=True)
class _Grid:
    """Points, `over` a pixel, at which the layers are composed."""

    x: Floats
    y: Floats
    over: int

    def field(self, of: Field) -> Field:
        """Return a field of the whole picture at the points."""
        if self.over == 1:
            return of
        half = 0.5 - 0.5 / self.over
        x0, y0 = round(self.x[0] + half), round(self.y[0] + half)
        w, h = len(self.x), len(self.y)
        part = of[y0 : y0 + h // self.over, x0 : x0 + w // self.over]
        return np.asarray(cv2.resize(part, (w, h)), np.float32)

    def distance(self, outline: Outline) -> tuple[Field, Field, Field]:
        """Return the outline's distances at the points."""
        return outline.distance(self.x, self.y)

    def soft(self, distance: Field) -> Field:
        """Return the share of each point's square inside an outline at a distance."""
        return np.asarray(np.clip(np.float32(0.5) - distance * np.float32(self.over), 0, 1))

    def cover(self, outline: Outline) -> Field:
        """Return the share of each point's square inside an outline."""
        where = outline.side(self.x, self.y)
        if where:
            return np.full((len(self.y), len(self.x)), where < 0, np.float32)
        return self.soft(outline.distance(self.x, self.y)[0])

    def around(self, outline: Outline) -> Field:
        """Return the angle of each point about an outline's centre."""
        _, cos, sin, _ = outline.polar(self.x, self.y)
        return np.asarray(np.arctan2(sin, cos))

    def window(self, outline: Outline) -> tuple[_Grid, tuple[slice, slice]]:
        """Return the part of the grid that holds an outline, and where it lies in the whole."""
        ring = np.arange(64) * (2 * math.pi / 64)
        r = 1.05 * outline.radius_mm[1]
        at = (
            np.column_stack(
                [
                    outline.centre_mm[0] + r * np.cos(ring),
                    outline.centre_mm[1] + r * np.sin(ring),
                    np.ones_like(ring),
                ]
            )
            @ np.linalg.inv(outline.back).T
        )
        at = at[:, :2] / at[:, 2:]
        (x0, y0), (x1, y1) = at.min(axis=0) - 2, at.max(axis=0) + 2
        columns = slice(*(int(i) for i in np.searchsorted(self.x, (x0, x1))))
        rows = slice(*(int(i) for i in np.searchsorted(self.y, (y0, y1))))
        return _Grid(self.x[columns], self.y[rows], self.over), (rows, columns)


@dataclass(frozen=True)
class Layers:
    """Fields of light, one value a pixel, and the outlines that part them."""

    scene: Scene
    dirt: Dirt
    face: Field
    behind: Field
    light: Field
    rim: Outline
    side: Outline
    hole: Outline
    far_end: Outline
    rim_bevel: Outline | None
    bevel: Outline | None
    emitter: Outline | None

    @classmethod
    def of(
        cls, scene: Scene, rng: np.random.Generator, dirt: Dirt, ground: Ground | None
    ) -> Layers:
        """Return the layers of a scene."""
        camera = Camera(scene)
        edge = Curve.of(scene)
        rim = Curve(scene.rim_mm / 2, (0.0, 0.0))
        bore = edge
        if scene.chamfer_mm:
            bore = Curve(edge.radius_mm - scene.chamfer_mm, edge.centre_mm, edge.lobes, edge.nicks)
        hole = Outline.of(edge, camera)
        outline = Outline.of(rim, camera)
        x, y = np.arange(scene.width, dtype=float), np.arange(scene.height, dtype=float)
        rho, cos, sin, _ = outline.polar(x, y)
        face = surface.face(scene, rng, rho, np.arctan2(sin, cos))
        _, beyond, _ = hole.distance(x, y)
        if scene.soot:
            face *= surface.sootiness(scene, beyond, rng)
        behind = surface.background(scene, rng)
        if ground is not None:
            _lay(behind, ground, camera)
        return cls(
            scene=scene,
            dirt=dirt,
            face=face.astype(np.float32),
            behind=behind.astype(np.float32),
            light=surface.falling_light(scene),
            rim=outline,
            side=Outline.of(rim, camera, scene.side_depth_mm),
            hole=hole,
            far_end=Outline.of(bore, camera, scene.bore_depth_mm),
            rim_bevel=Outline.of(Curve(scene.rim_mm / 2 - scene.rim_chamfer_mm, (0.0, 0.0)), camera)
            if scene.rim_chamfer_mm
            else None,
            bevel=Outline.of(bore, camera) if scene.chamfer_mm else None,
            emitter=Outline.of(Curve(scene.emitter_mm / 2, (0.0, 0.0)), camera)
            if scene.emitter_mm
            else None,
        )

    def compose(self, x: Floats, y: Floats, over: int) -> NDArray[np.float32]:
        """Return the light (len(y), len(x), 3) of copper, background and steel at points.

        Parameters
        ----------
        x, y : float arrays
            Equally spaced, 1 / over pixels apart.
        over : int
            Points a pixel; an edge is as soft as one such point.
        """
        s = self.scene
        shape = (len(y), len(x))
        grid = _Grid(x, y, over)
        copper = grid.field(self.face).copy()
        steel = np.zeros(shape, np.float32)
        if self.rim_bevel is not None and self.rim_bevel.side(x, y) >= 0:
            on_bevel = 1 - grid.cover(self.rim_bevel)
            copper *= 1 + on_bevel * (self._facing(grid.around(self.rim), 0.45) - 0.15)
        if self.emitter is not None and self.emitter.side(x, y) <= 0:
            in_emitter = grid.cover(self.emitter)
            steel = in_emitter * copper * np.float32(1.15)
            copper *= 1 - in_emitter
        if s.feature == "pit":
            copper, steel = self._with_pit(grid, copper, steel)
        elif self.hole.side(x, y) <= 0:
            self._with_hole(grid, copper)
        behind = np.zeros(shape, np.float32)
        if self.rim.side(x, y) >= 0:
            in_rim = grid.cover(self.rim)
            copper *= in_rim
            steel *= in_rim
            outside = 1 - in_rim
            on_side = outside * grid.cover(self.side) if s.side_depth_mm else 0 * outside
            copper += on_side * (
                np.float32(0.4 * s.face_light) * (1 + self._facing(grid.around(self.rim), 0.6))
            )
            behind = (outside - on_side) * grid.field(self.behind)
        for drop, lobes, shine in zip(
            self.dirt.drops, self.dirt.lobes, self.dirt.shine, strict=True
        ):
            _drop(x, y, over, s, drop, lobes, float(shine), (copper, behind, steel))
        light = grid.field(self.light)
        return np.stack([copper * light, behind * light, steel * light], axis=-1)

    def _facing(self, around: Field, strength: float) -> Field:
        towards = math.radians(self.scene.light_from_deg - self.scene.turn_deg)
        return np.asarray(np.float32(strength) * np.cos(around - np.float32(towards)))

    def _with_hole(self, grid: _Grid, copper: Field) -> None:
        """Put the hole into the face's light, in place, in the window that holds it."""
        s = self.scene
        part, window = grid.window(self.hole)
        if not len(part.x) or not len(part.y):
            return
        d_hole, _, around = part.distance(self.hole)
        d_end, _, _ = part.distance(self.far_end)
        in_hole, through = part.soft(d_hole), part.soft(d_end)
        down = np.clip(-d_hole / np.maximum(d_end - d_hole, np.float32(1e-3)), 0, 1)
        # The wall that faces the light lies on the far side of the hole from it.
        wall = np.float32(s.wall_light * s.face_light) * (
            (np.float32(0.6) - self._facing(around, 0.4)) * (1 - np.float32(0.75) * np.sqrt(down))
        )
        inner = through * _DARK + (1 - through) * wall
        if self.bevel is not None:
            in_bore = part.cover(self.bevel)
            bevel = copper[window] * (np.float32(0.8) - self._facing(around, 0.5))
            inner = in_bore * inner + (1 - in_bore) * bevel
        copper[window] += in_hole * (inner - copper[window])

    def _with_pit(self, grid: _Grid, copper: Field, steel: Field) -> tuple[Field, Field]:
        s = self.scene
        _, beyond, around = grid.distance(self.hole)
        soft = np.float32(max(s.pit_fuzz_mm, 0.25 / s.px_per_mm))
        # A logistic close to the normal distribution function of that deviation.
        within = 1 / (1 + np.exp(np.clip(beyond / soft * np.float32(1.702), -60, 60)))
        deep = np.clip(-beyond / np.float32(s.hole_mm / 2), 0, 1)
        # The crater's far slope catches the light; its middle has no slope.
        keeps = 1 - s.pit_contrast - self._facing(around, 0.25 * s.pit_contrast) * (1 - deep)
        factor = (1 + within * (keeps - 1)).astype(np.float32)
        return copper * factor, steel * factor

    def edge_tiles(self, truth: Truth, tile: int, pad: int) -> set[tuple[int, int]]:
        """Return the upper left corners of the tiles that an edge crosses or comes near."""
        camera = Camera(self.scene)
        edge = Curve.of(self.scene)
        ring = Curve(self.scene.rim_mm / 2, (0.0, 0.0)).points(2880)
        lines = [truth.edge_px, truth.rim_px, camera.project(ring, self.scene.side_depth_mm)]
        if self.scene.rim_chamfer_mm:
            lines.append(
                camera.project(ring * (1 - 2 * self.scene.rim_chamfer_mm / self.scene.rim_mm))
            )
        if self.emitter is not None:
            lines.append(camera.project(ring * (self.scene.emitter_mm / self.scene.rim_mm)))
        if self.scene.feature == "orifice":
            lines.append(camera.project(edge.points(2880), self.scene.bore_depth_mm))
        angle = np.linspace(0, 2 * math.pi, 60)[:, None]
        for px, py, radius in truth.drops:
            lines.append(np.hstack([px + radius * np.cos(angle), py + radius * np.sin(angle)]))
        points = np.concatenate(lines)
        steps = np.array([(i * pad, j * pad) for i in (-1, 0, 1) for j in (-1, 0, 1)])
        near = (points[:, None, :] + steps).reshape(-1, 2)
        wide, high = self.scene.width, self.scene.height
        inside = (near >= 0).all(axis=1) & (near[:, 0] < wide) & (near[:, 1] < high)
        across, down = (near[inside].astype(int) // tile).T
        crossed = np.zeros((-(-wide // tile), -(-high // tile)), dtype=bool)
        crossed[across, down] = True
        return {(int(i) * tile, int(j) * tile) for i, j in np.argwhere(crossed)}


def _drop(
    x: Floats,
    y: Floats,
    over: int,
    scene: Scene,
    drop: Floats,
    lobes: Floats,
    shine: float,
    onto: tuple[Field, Field, Field],
) -> None:
    """Lay one drop of spatter over the layers, in place."""
    cx, cy, radius = (float(v) for v in drop)
    i0, i1 = np.searchsorted(x, (cx - 1.5 * radius - 2, cx + 1.5 * radius + 2))
    j0, j1 = np.searchsorted(y, (cy - 1.5 * radius - 2, cy + 1.5 * radius + 2))
    if i0 >= i1 or j0 >= j1:
        return
    dx, dy = np.meshgrid(x[i0:i1] - cx, y[j0:j1] - cy)
    rho, angle = np.hypot(dx, dy), np.arctan2(-dy, dx)
    r = np.full_like(rho, radius * 0.85)
    for wave, (amplitude, phase) in enumerate(lobes, start=2):
        r += radius * 0.4 * amplitude * np.cos(wave * (angle + phase))
    cover = np.clip(0.5 - (rho - r) * over, 0, 1)
    lit = math.radians(scene.light_from_deg)
    height = np.sqrt(np.clip(1 - (rho / r) ** 2, 0, 1))
    facing = (dx * math.cos(lit) - dy * math.sin(lit)) / np.maximum(r, 1e-9)
    glossy = np.exp(-((facing - 0.5) ** 2 + (1 - height - 0.3) ** 2) / 0.03)
    own = scene.face_light * (0.15 + 0.35 * np.clip(facing + height * 0.6, 0, 2) + shine * glossy)
    copper, behind, steel = (layer[j0:j1, i0:i1] for layer in onto)
    copper *= (1 - cover).astype(np.float32)
    behind *= (1 - cover).astype(np.float32)
    steel *= (1 - cover).astype(np.float32)
    steel += (cover * own).astype(np.float32)


def _lay(behind: Field, ground: Ground, camera: Camera) -> None:
    """Lay a flat sheet over the background, in place."""
    left, top = ground.corner_mm
    step = ground.mm_per_px
    # Cell (i, j) of the sheet has its centre at corner + ((j + 1/2), -(i + 1/2)) steps.
    cells = np.array([[step, 0, left + step / 2], [0, -step, top - step / 2], [0, 0, 1.0]])
    to_px = camera.homography() @ cells
    over = 3
    finer = np.array([[over, 0, (over - 1) / 2], [0, over, (over - 1) / 2], [0, 0, 1.0]]) @ to_px
    size = (behind.shape[1] * over, behind.shape[0] * over)
    laid = cv2.warpPerspective(ground.light, finer, size, flags=cv2.INTER_LINEAR)
    there = cv2.warpPerspective(np.ones_like(ground.light), finer, size, flags=cv2.INTER_LINEAR)
    small = (behind.shape[1], behind.shape[0])
    laid = cv2.resize(laid, small, interpolation=cv2.INTER_AREA)
    there = cv2.resize(there, small, interpolation=cv2.INTER_AREA)
    behind *= 1 - there
    behind += laid
