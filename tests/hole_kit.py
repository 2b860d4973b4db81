"""Results of measuring a photo as services keep them, and small pictures, for tests."""

from __future__ import annotations

import hashlib
import io
from typing import Any

from PIL import Image

from pitwise.services.intake import Intake


def picture(shade: int = 90, kind: str = "PNG") -> io.BytesIO:
    out = io.BytesIO()
    Image.new("RGB", (64, 48), (shade, 60, 40)).save(out, kind)
    out.seek(0)
    return out


def body(
    diameter: float = 2.05, roundness: float = 0.03, off: float = 0.02, **more: Any
) -> dict[str, Any]:
    return {
        "feature": "orifice",
        "diameter_mm": {"value": diameter, "u": 0.003},
        "roundness_mm": {"value": roundness, "noise_floor": 0.005, "u": 0.004},
        "off_centre_mm": {"value": off, "u": 0.008, "angle_deg": 0.0, "x": off, "y": 0.0},
        "nicks": [],
        "px_per_mm": 60.0,
        "tilt_deg": 3.0,
        "scale_from": "rim",
        "edge_sd_px": 0.1,
        "budget": [
            {"name": "edge", "u_mm": 0.002, "sensitivity": 1, "kind": "A", "text": "scatter"},
            {"name": "rim", "u_mm": 0.002, "sensitivity": 1, "kind": "B", "text": "caliper"},
        ],
        "warnings": [],
        "refused": None,
        **more,
    }


REFUSED = {
    **body(),
    "diameter_mm": None,
    "roundness_mm": None,
    "off_centre_mm": None,
    "nicks": None,
    "refused": {"reason": "blurred", "text": "The edges are blurred", "mend": "hold it still"},
}


def quick_intake(_name: str, stream: Any) -> Intake:
    """Take a picture in without the process of its own, which has tests of its own."""
    sent = stream.read(1 << 20)
    with Image.open(io.BytesIO(sent)) as image:
        out, size = io.BytesIO(), image.size
        image.convert("RGB").save(out, "PNG")
    return Intake(
        out.getvalue(),
        "image/png",
        *size,
        8,
        hashlib.sha256(sent).hexdigest(),
        picture(10, "JPEG").getvalue(),
        64,
        48,
        (),
    )


def answer(result: dict[str, Any]) -> dict[str, Any]:
    """What the measuring process gives for one photo."""
    drawn = picture(200, "JPEG").getvalue()
    return {"body": result, "bodies": [result], "picture": drawn, "change_picture": None}
