"""`pitwise photo`: measure a hole or pit from photos."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.table import Table

from pitwise.cli.common import console, print_json
from pitwise.cli.photo_more import add_options, tell_change, tell_turns
from pitwise.cli.photo_rim import add_rim_options, read_rim
from pitwise.services.errors import ServiceError
from pitwise.trade.given import InputError

if TYPE_CHECKING:
    from pitwise.measure.photo.card import CardPrint
    from pitwise.measure.photo.combine import Combined
    from pitwise.measure.photo.light import ToneCurve
    from pitwise.measure.photo.result import HoleMeasured, PhotoRefused


# Arguments of `measure_photo` as a person gives them.
_OPTIONS = {
    "rim_mm": "--rim-mm",
    "u_rim_mm": "--rim-u-mm",
    "false_alarm": "--false-alarm",
    "focal_px": "--focal-px",
    "feature": "--feature",
}


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    own = commands.add_parser("photo", help="measure a hole or pit from photos of the face")
    own.add_argument(
        "images",
        metavar="IMAGE",
        nargs="*",
        help="JPEG, PNG or HEIC; several of one part are combined",
    )
    add_rim_options(own)
    own.add_argument("--feature", choices=("orifice", "pit"), default="orifice")
    own.add_argument("--json", action="store_true", help="print JSON")
    own.add_argument("--picture", metavar="OUT.png", help="draw the result of the first photo")
    own.add_argument("--tone", metavar="srgb|GAMMA", help="the camera's tone curve, where known")
    own.add_argument("--no-card", action="store_true", help="do not look for the printed card")
    own.add_argument(
        "--card-lines",
        metavar="ACROSS,DOWN",
        help="what the printed card's two check lines measure, mm (nominally 50,50)",
    )
    own.add_argument(
        "--card-greys",
        metavar="A,B,C,D,E,F",
        help="reflectances of the printed card's six greys as measured, darkest first",
    )
    own.add_argument(
        "--false-alarm",
        type=float,
        default=0.01,
        metavar="P",
        help="chance of a nick where none is",
    )
    own.add_argument(
        "--focal-px",
        type=float,
        metavar="F",
        help="the camera's focal length in pixels of this uncropped photo: for off-centre",
    )
    add_options(own)
    own.add_argument("--card-out", metavar="CARD.pdf", help="write the printable card")
    own.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Measure and print; 1 where a photo is refused."""
    if args.card_out is not None:
        _write_card(args.card_out)
        if not args.images:
            return 0
    if not args.images:
        raise ServiceError("IMAGE", "no photo is given", "name one, or --card-out CARD.pdf")
    # OpenCV takes a while to import.
    from pitwise.measure.photo.combine import combine
    from pitwise.measure.photo.measure import measure_photo
    from pitwise.measure.photo.result import HoleMeasured
    from pitwise.services.intake import decode_file

    rim = read_rim(args.rim_mm, args.rim_u_mm)
    _check_options(args)
    tone = _tone(args.tone)
    printed = card_print(args.card_lines, args.card_greys)
    results: list[HoleMeasured | PhotoRefused] = []
    pictures: list[Any] = []
    for place in [*args.images, *([] if args.new is None else [args.new])]:
        pixels = decode_file(place)
        if args.new is not None:
            pictures.append(pixels)
        try:
            result = measure_photo(
                pixels,
                rim_mm=None if rim is None else rim.mm,
                u_rim_mm=0.0 if rim is None else rim.u_mm,
                feature=args.feature,
                tone=tone,
                card=not args.no_card,
                printed=printed,
                false_alarm=args.false_alarm,
                focal_px=args.focal_px,
            )
        except InputError as error:
            option = _OPTIONS.get(error.place, error.place)
            raise ServiceError(f"{place}: {option}", error.problem, error.mend) from error
        if args.picture is not None and not results:
            _draw(args.picture, pixels, result)
        results.append(result)
    if args.new is not None:
        rim_mm = None if rim is None else rim.mm
        return tell_change(args, rim_mm, pictures[0], results[0], pictures[1], results[1])
    if args.four_turns:
        return tell_turns(args, results)
    measured = [r for r in results if isinstance(r, HoleMeasured)]
    refused = [
        (place, r)
        for place, r in zip(args.images, results, strict=True)
        if not isinstance(r, HoleMeasured)
    ]
    if len(results) == 1:
        _tell(args, results[0])
        return 1 if refused else 0
    joint = combine(measured) if len(measured) >= 2 else None
    _tell_all(args, results, joint, refused)
    return 1 if joint is None or joint.contradiction or refused else 0


def _check_options(args: argparse.Namespace) -> None:
    """Refuse what can't be done before a photo is measured."""
    if args.four_turns and args.new is not None:
        raise ServiceError("--four-turns", "goes with no --new", "ask for one of them at a time")
    if args.new is not None and len(args.images) != 1:
        raise ServiceError("--new", f"{len(args.images)} photos", "name the one photo to compare")
    if args.picture is None:
        return
    place = Path(args.picture)
    if place.suffix.casefold() != ".png":
        raise ServiceError("--picture", f"'{place.name}' is no name for a PNG", "name it OUT.png")
    if not place.parent.is_dir():
        raise ServiceError(
            "--picture", f"there is no folder '{place.parent}'", "name a file in a folder of yours"
        )


def card_print(lines: str | None, greys: str | None) -> CardPrint | None:
    """Return what the shop measured on its printed card; None: nothing entered.

    Raises
    ------
    ServiceError
        Names the option.
    """
    from pitwise.measure.photo.card import CardPrint

    if lines is None and greys is None:
        return None
    across, down = (50.0, 50.0) if lines is None else _numbers("--card-lines", lines, 2)
    try:
        return CardPrint(
            across, down, reflectances=None if greys is None else _numbers("--card-greys", greys, 6)
        )
    except InputError as error:
        option = "--card-greys" if "reflectances" in error.place else "--card-lines"
        raise ServiceError(option, error.problem, error.mend) from error


def _numbers(option: str, words: str, count: int) -> tuple[float, ...]:
    try:
        numbers = tuple(float(part) for part in words.split(","))
    except ValueError as error:
        raise ServiceError(
            option, f"'{words}' is no list of numbers", f"write {count} numbers with commas"
        ) from error
    if len(numbers) != count:
        raise ServiceError(option, f"{len(numbers)} numbers", f"write {count} with commas")
    return numbers


def _tone(words: str | None) -> ToneCurve | None:
    from pitwise.measure.photo.light import SRGB, gamma

    if words is None:
        return None
    if words.casefold() == "srgb":
        return SRGB
    try:
        return gamma(float(words))
    except ValueError as error:
        raise ServiceError(
            "--tone", f"'{words}' is no tone curve", "write srgb, or an exponent from 0.4 to 4"
        ) from error


def _write_card(place: str) -> None:
    from pitwise.reports.photo_card import card_pdf

    _write(place, card_pdf())


def _write(place: str, content: bytes) -> None:
    try:
        Path(place).write_bytes(content)
    except OSError as error:
        raise ServiceError(
            place, f"can't be written ({error.strerror})", "name a file in a folder of yours"
        ) from error


def _draw(place: str, pixels: Any, result: HoleMeasured | PhotoRefused) -> None:
    import io

    from PIL import Image

    from pitwise import reports
    from pitwise.measure.photo.picture import draw_result

    fonts = Path(reports.__file__).parent / "fonts"
    drawn = draw_result(
        pixels,
        result,
        font=str(fonts / "AtkinsonHyperlegibleNext-400.ttf"),
        bold=str(fonts / "AtkinsonHyperlegibleNext-700.ttf"),
    )
    kept = io.BytesIO()
    Image.fromarray(drawn).save(kept, "PNG")
    _write(place, kept.getvalue())


def _tell(args: argparse.Namespace, result: HoleMeasured | PhotoRefused) -> None:
    from pitwise.measure.photo.result import HoleMeasured

    if args.json:
        print_json(result.plain())
        return
    out = console()
    if not isinstance(result, HoleMeasured):
        out.print(f"Not measured ({result.reason}): {result.text}", markup=False)
        out.print(f"Mend: {result.mend}", markup=False)
        return
    table = Table(title=f"{result.feature.capitalize()}", title_justify="left")
    for name in ("", "mm", "95 % range ±"):
        table.add_column(name, justify="left" if not name else "right")
    table.add_row("Diameter", f"{result.diameter.value:.4f}", f"{2 * result.diameter.u:.4f}")
    table.add_row(
        "Out of round",
        "not known" if result.shape_unknown else f"{result.roundness_mm:.4f}",
        f"at least {result.roundness_mm:.4f}"
        if result.shape_unknown
        else f"{2 * result.roundness_u_mm:.4f} (noise alone shows {result.noise_floor_mm:.4f})",
    )
    table.add_row(
        f"Off centre, towards {result.off_centre_angle_deg:.0f}°",
        f"{result.off_centre.value:.4f}",
        f"{2 * result.off_centre.u:.4f}",
    )
    if result.emitter_diameter_mm is not None and result.emitter_u_mm is not None:
        table.add_row(
            "Emitter's diameter",
            f"{result.emitter_diameter_mm:.4f}",
            f"{2 * result.emitter_u_mm:.4f}",
        )
    if result.off_centre_emitter is not None:
        table.add_row(
            "Off the emitter's centre",
            f"{result.off_centre_emitter.value:.4f}",
            f"{2 * result.off_centre_emitter.u:.4f}",
        )
    for nick in result.nicks:
        table.add_row(
            f"Nick at {nick.angle_deg:.0f}°",
            f"{nick.depth_mm:.3f} deep",
            f"{nick.width_mm:.3f} wide",
        )
    if not result.nicks_sought:
        table.add_row("Nicks", "not looked for", "")
    elif not result.nicks:
        table.add_row(
            "Nicks",
            "not known" if result.shape_unknown else "none found",
            "" if result.shape_unknown else f"false alarms {result.false_alarm:.0%}",
        )
    out.print(table)
    for what, budget in (("diameter", result.budget), ("roundness", result.roundness_budget)):
        rows = Table(title=f"What the {what}'s uncertainty is made of", title_justify="left")
        for name in ("Source", "u, mm", "Kind", "From"):
            rows.add_column(name, justify="right" if name == "u, mm" else "left")
        for row in budget:
            rows.add_row(row.name, f"{row.u_mm:.5f}", row.kind, row.text)
        out.print(rows)
    out.print(
        f"{result.px_per_mm:.1f} px/mm from the {result.scale_from}, tilt {result.tilt_deg:.1f}°, "
        f"tone {result.tone} ({result.tone_from}), {result.masked_share:.0%} left out; with all: "
        f"{result.unmasked.diameter_mm:.4f} mm, out of round {result.unmasked.roundness_mm:.4f}",
        markup=False,
    )
    for words in result.warnings:
        out.print(words, markup=False)


def _tell_all(
    args: argparse.Namespace,
    results: list[HoleMeasured | PhotoRefused],
    joint: Combined | None,
    refused: list[tuple[str, PhotoRefused]],
) -> None:
    from pitwise.measure.photo.combine import NOTHING

    plain = [r.plain() for r in results]
    if args.json:
        if joint is not None:
            whole = joint.plain()
        else:
            whole = {
                **NOTHING,
                "refused": {
                    "reason": "too-few",
                    "text": "fewer than two of the photos could be measured",
                    "mend": "take more photos; see the mend of each",
                },
            }
        print_json({**whole, "each": plain})
        return
    out = console()
    for place, r in refused:
        words = r.plain()["refused"]
        out.print(f"{place}: not measured: {words['text']}. Mend: {words['mend']}", markup=False)
    if joint is None:
        out.print("Fewer than two photos could be measured.", markup=False)
        return
    if joint.contradiction:
        words = joint.plain()["refused"]
        out.print(f"No number: {words['text']}. Mend: {words['mend']}", markup=False)
        for line in joint.warnings:
            out.print(line, markup=False)
        return
    table = Table(title=f"{joint.n} photos", title_justify="left")
    for name in ("", "mm", "95 % range ±"):
        table.add_column(name, justify="left" if not name else "right")
    round_, unknown = joint.roundness, bool(joint.shape_unknown)
    table.add_row("Diameter", f"{joint.diameter.value:.4f}", f"{2 * joint.diameter.u:.4f}")
    table.add_row(
        "Out of round",
        "not known" if unknown else f"{round_.value:.4f}",
        f"at least {round_.value:.4f}"
        if unknown
        else f"{2 * round_.u:.4f} (noise alone shows {joint.noise_floor_mm:.4f})",
    )
    table.add_row("Off centre", f"{joint.off_centre.value:.4f}", f"{2 * joint.off_centre.u:.4f}")
    for nick in joint.nicks:
        seen = "its own photo" if nick.photos is None else f"in {nick.photos} of {joint.n} photos"
        table.add_row(
            f"Nick at {nick.angle_deg:.0f}°, {seen}",
            f"{nick.depth_mm:.3f} deep",
            f"{nick.width_mm:.3f} wide",
        )
    if not joint.nicks_sought:
        table.add_row("Nicks", "not looked for", "")
    elif unknown:
        table.add_row("Nicks" if not joint.nicks else "More nicks", "not known", "")
    elif not joint.nicks:
        table.add_row("Nicks", f"none found in {joint.n} photos", "")
    out.print(table)
    for words in joint.warnings:
        out.print(words, markup=False)
