"""Cut programs of the made-up shop: brackets, flanges and gussets, each a plate full of them."""

from __future__ import annotations

from collections.abc import Callable

_HEAD = ("%", "({name}: made up for the demo)", "G21 G90 G40 G17")
_TAIL = ("M30", "%")


def _program(name: str, body: list[str], after: tuple[str, ...] = ()) -> str:
    head = [line.format(name=name) for line in _HEAD]
    return "\n".join([*head, *body, *_TAIL[:1], *after, *_TAIL[1:]]) + "\n"


def _hole(x: float, y: float, radius: float, feed: int) -> list[str]:
    """Pierce in the middle, go out to the wall, round it and quench."""
    return [
        f"G0 X{x:g} Y{y:g}",
        "M3",
        "G4 P0.5",
        f"G1 X{x + radius:g} Y{y:g} F{feed}",
        f"G3 X{x + radius:g} Y{y:g} I{-radius:g} J0",
        "M5",
    ]


def bracket_plate(columns: int = 6, rows: int = 4) -> str:
    """Return angle brackets with two holes each and a rounded outer corner."""
    body: list[str] = []
    for row in range(rows):
        for column in range(columns):
            x, y = 20 + column * 180.0, 20 + row * 140.0
            body.append(f"(bracket {row * columns + column + 1})")
            body += _hole(x + 25, y + 25, 9, 1600)
            body += _hole(x + 125, y + 25, 9, 1600)
            body += [
                f"G0 X{x - 8:g} Y{y:g}",
                "M3",
                "G4 P0.6",
                f"G41 D1 G1 X{x:g} Y{y:g} F2400",
                f"G1 X{x:g} Y{y + 100:g}",
                f"G1 X{x + 50:g} Y{y + 100:g}",
                f"G1 X{x + 50:g} Y{y + 50:g}",
                f"G1 X{x + 130:g} Y{y + 50:g}",
                f"G2 X{x + 150:g} Y{y + 30:g} I0 J-20",
                f"G1 X{x + 150:g} Y{y:g}",
                f"G1 X{x:g} Y{y:g}",
                "G40",
                "M5",
            ]
    return _program("Bracket 12 mm", body)


def flange_plate(columns: int = 4, rows: int = 3, bolts: int = 8) -> str:
    """Return ring flanges: bolt holes by a subprogram, bore and rim as full circles."""
    body: list[str] = []
    for row in range(rows):
        for column in range(columns):
            x, y = 130 + column * 250.0, 130 + row * 250.0
            body.append(f"(flange {row * columns + column + 1})")
            body += [f"G52 X{x:g} Y{y:g}", "M98 P200", "G52 X0 Y0"]
            for radius, feed in ((55, 2000), (115, 2200)):
                body += [
                    f"G0 X{x + radius - 10:g} Y{y:g}",
                    "M3",
                    "G4 P0.6",
                    f"G1 X{x + radius:g} Y{y:g} F{feed}",
                    f"G3 X{x + radius:g} Y{y:g} I{-radius:g} J0",
                    "M5",
                ]
    # Bolt holes on a circle of 170 mm, every 360/bolts degrees, in the flange's own zero.
    holes = ["O200"]
    for hole in range(bolts):
        holes += [
            f"#1=[85*COS[{360 / bolts:g}*{hole}]]",
            f"#2=[85*SIN[{360 / bolts:g}*{hole}]]",
            "G0 X[#1] Y[#2]",
            "M3",
            "G4 P0.5",
            "G1 X[#1+8] Y[#2] F1500",
            "G3 X[#1+8] Y[#2] I-8 J0",
            "M5",
        ]
    return _program("Flange DN 110", body, (*holes, "M99"))


def gusset_plate(columns: int = 7, rows: int = 6) -> str:
    """Return triangular gussets, one cut each, corners cut back."""
    body: list[str] = []
    for row in range(rows):
        for column in range(columns):
            x, y = 15 + column * 145.0, 15 + row * 95.0
            body += [
                f"(gusset {row * columns + column + 1})",
                f"G0 X{x + 12:g} Y{y - 8:g}",
                "M3",
                "G4 P0.4",
                f"G1 X{x + 20:g} Y{y:g} F2800",
                f"G1 X{x + 125:g} Y{y:g}",
                f"G1 X{x + 125:g} Y{y + 15:g}",
                f"G1 X{x + 15:g} Y{y + 80:g}",
                f"G1 X{x:g} Y{y + 80:g}",
                f"G1 X{x:g} Y{y + 20:g}",
                f"G3 X{x + 20:g} Y{y:g} I20 J0",
                "M5",
            ]
    return _program("Gusset 10 mm", body)


PROGRAMS: tuple[tuple[str, Callable[[], str]], ...] = (
    ("gusset-10.nc", gusset_plate),
    ("flange-110.nc", flange_plate),
    ("bracket-12.nc", bracket_plate),
)
"""File name and maker, in the order the shop brings them in."""
