"""Photos of the made-up shop: rendered, labelled so on the picture, taken in like any other."""

from __future__ import annotations

import io
from dataclasses import dataclass, field

from PIL import Image, ImageDraw, ImageFont

from pitwise.measure.specimen import LABEL, Scene, render
from pitwise.reports.glyphs import FONTS
from pitwise.services import hole_measures, limits, part_faces, setup
from pitwise.services.draft_view import Draft
from pitwise.services.permissions import Actor
from pitwise.services.shopfloor import Shop

# Rim and hole when new of the made-up nozzles, mm, by the ending of their type's name.
_FACES = {"300": (14.0, 2.40), "130": (12.0, 1.80), "200S": (13.0, 2.10)}
_TYPE_OF = {"North 1": "300", "South 1": "130", "South 2": "200S"}
_GROWTH_PER_START_MM = 0.00018
_MARGIN_PX = 40
_PX_PER_MM = 46.0


def furnish(shop: Shop, lead: Actor) -> None:
    """Enter what the nozzles measure when new, and limits as if from a manual."""
    for kind in setup.shop_list(shop, lead).part_types:
        ending = kind.name.rsplit(" ", 1)[-1]
        if kind.part == "nozzle" and ending in _FACES:
            rim, hole = _FACES[ending]
            part_faces.set_face(
                shop,
                lead,
                kind.id,
                rim=f"{rim:.2f} mm",
                hole=f"{hole:.2f} mm",
                hole_u="0.004 mm",
                reason="demo: as if by caliper and pin gauge",
            )
    for on, depth in (("nozzle/orifice-roundness", "0.1 mm"), ("nozzle/orifice-growth", "0.25 mm")):
        limits.add_limit(
            shop,
            lead,
            on=on,
            depth=depth,
            compare=">",
            process_id=None,
            source="demo: as if from the equipment's manual",
            reason="Kerfs went slanted beyond it in this made-up shop",
        )


def _scene(torch: str, grown_mm: float, out_of_round: bool, askew: bool, seed: int) -> Scene:
    rim, hole = _FACES[_TYPE_OF[torch]]
    side = round(rim * _PX_PER_MM) + 2 * _MARGIN_PX
    return Scene(
        width=side,
        height=side,
        px_per_mm=_PX_PER_MM,
        rim_mm=rim,
        hole_mm=hole + grown_mm,
        lobes=((2, 0.09, 35.0), (3, 0.02, 80.0)) if out_of_round else ((3, 0.008, 10.0),),
        off_centre_mm=(0.02, -0.01),
        tilt_deg=34.0 if askew else 3.0,
        tilt_towards_deg=float(40 * (seed % 9)),
        turn_deg=float(25 * seed % 360),
        blur_px=1.0,
        light_fall=0.15,
        jpeg_quality=None,
    )


def labelled(scene: Scene, seed: int) -> bytes:
    """Render a scene as a JPEG with the label on it: nobody is to take it for a photo."""
    picture, _truth = render(scene, seed)
    image = Image.fromarray(picture)
    # In the corner of the square about the rim: it stays when the result is drawn cut to that.
    radius = scene.rim_mm / 2 * scene.px_per_mm
    size = round(0.05 * radius)
    font = ImageFont.truetype(str(FONTS / "AtkinsonHyperlegibleNext-700.ttf"), size)
    words = LABEL.replace("picture, not", "picture,\nnot").replace(" picture", "\npicture")
    left, low = scene.width / 2 - radius, scene.height / 2 + radius
    draw = ImageDraw.Draw(image)
    draw.rectangle((left, low - 3.9 * size, left + 5.9 * size, low), fill=(20, 24, 28))
    draw.multiline_text((left + size / 3, low - 3.8 * size), words, fill=(246, 244, 238), font=font)
    out = io.BytesIO()
    image.save(out, "JPEG", quality=92)
    return out.getvalue()


@dataclass
class PhotoStory:
    """Which inspections of the made-up year have a photo; few, since each takes its second."""

    taken: dict[str, int] = field(default_factory=dict)

    def wants(self, torch: str, share: float, *, finish: bool) -> bool:
        """Tell whether an inspection of a torch has a photo of the nozzle."""
        if torch == "North 1":
            return share > 0.955 and self.taken.get(torch, 0) < 3
        if torch == "South 1":
            return share > 0.975 and self.taken.get(torch, 0) < 1
        return not finish

    def take(
        self, shop: Shop, actor: Actor, number: int, torch: str, draft: Draft, key: str
    ) -> Draft:
        """Take the photo: North 1 grows, South 1 is out of round, South 2's is taken askew."""
        self.taken[torch] = self.taken.get(torch, 0) + 1
        starts = draft.lives["nozzle"].starts if "nozzle" in draft.lives else 0
        scene = _scene(
            torch,
            min(0.2, starts * _GROWTH_PER_START_MM),
            out_of_round=torch == "South 1",
            askew=torch == "South 2",
            seed=self.taken[torch],
        )
        picture = io.BytesIO(labelled(scene, self.taken[torch]))
        return hole_measures.add_photo(
            shop, actor, number, "nozzle", picture, key=f"{hole_measures.RENDERED}{key}-photo"
        )
