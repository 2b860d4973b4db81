"""`pitwise photo` with four turns, or against the photo when new."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from pitwise.cli.common import console, print_json
from pitwise.services.errors import ServiceError

if TYPE_CHECKING:
    from pitwise.measure.photo.result import HoleMeasured, PhotoRefused


def add_options(own: argparse.ArgumentParser) -> None:
    """Add the options."""
    own.add_argument(
        "--four-turns",
        action="store_true",
        help="four photos, the part turned by 90° between them, the camera still: off-centre",
    )
    own.add_argument(
        "--new",
        metavar="NEW",
        help="photo of this type of part when new: tells the changed area of IMAGE",
    )


def tell_turns(args: argparse.Namespace, results: Sequence[HoleMeasured | PhotoRefused]) -> int:
    """Print the off-centre of a part turned between photos; 1 where it can't be had."""
    from pitwise.measure.photo.result import HoleMeasured, PhotoRefused
    from pitwise.measure.photo.turns import four_turns

    if len(results) != 4:
        raise ServiceError("--four-turns", f"{len(results)} photos", "name four, in order")
    measured = [r for r in results if isinstance(r, HoleMeasured)]
    for number, r in enumerate(results, start=1):
        if not isinstance(r, HoleMeasured):
            return _refused(args, r, f"Photo {number}: ")
    got = four_turns(measured)
    if isinstance(got, PhotoRefused):
        return _refused(args, got)
    if args.json:
        print_json(got.plain())
        return 0
    out = console()
    out.print(
        f"Off centre {got.off_centre.value:.4f} mm ± {2 * got.off_centre.u:.4f} mm (95 %), towards "
        f"{got.off_centre_angle_deg:.0f}° ± {2 * got.off_centre_angle_u_deg:.0f}° in the first "
        f"photo; turned {got.turned}",
        markup=False,
    )
    for words in got.warnings:
        out.print(words, markup=False)
    return 0


def tell_change(
    args: argparse.Namespace,
    rim_mm: float | None,
    now_pixels: Any,
    now: HoleMeasured | PhotoRefused,
    new_pixels: Any,
    new: HoleMeasured | PhotoRefused,
) -> int:
    """Print the changed area; 1 where it can't be had."""
    from pitwise.measure.photo.change import changed_between
    from pitwise.measure.photo.result import HoleMeasured, PhotoRefused

    if rim_mm is None:
        raise ServiceError("--new", "the rim's diameter is needed", "give --rim-mm D")
    if not isinstance(new, HoleMeasured):
        return _refused(args, new, "The photo when new: ")
    if not isinstance(now, HoleMeasured):
        return _refused(args, now)
    got = changed_between(new_pixels, new, now_pixels, now, rim_mm)
    if isinstance(got, PhotoRefused):
        return _refused(args, got)
    if args.json:
        print_json(got.plain())
        return 0
    out = console()
    out.print(
        f"Changed area {got.area_mm2:.2f} mm² ({got.low_mm2:.2f} to {got.high_mm2:.2f}) of "
        f"{got.compared_mm2:.0f} mm² compared; spots under {got.smallest_mm2:g} mm² left out",
        markup=False,
    )
    for r in got.regions:
        out.print(
            f"{r.area_mm2:.2f} mm², {'lighter' if r.lighter else 'darker'}, {r.distance_mm:.1f} mm "
            f"from the middle towards {r.angle_deg:.0f}°",
            markup=False,
        )
    for words in got.warnings:
        out.print(words, markup=False)
    return 0


def _refused(args: argparse.Namespace, r: PhotoRefused, who: str = "") -> int:
    if args.json:
        print_json(r.plain())
        return 1
    out = console()
    out.print(f"{who}not measured ({r.reason}): {r.text}", markup=False)
    out.print(f"Mend: {r.mend}", markup=False)
    return 1
