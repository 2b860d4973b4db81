"""`pitwise torch`: what is fitted, its use, the last pit, what is due."""

from __future__ import annotations

import argparse
import difflib
from typing import Any

from rich.table import Table

from pitwise.cli.common import console, open_shop, print_json
from pitwise.services import views
from pitwise.services.errors import NotFoundError
from pitwise.services.people import SYSTEM
from pitwise.services.views import TorchView


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    own = commands.add_parser("torch", help="torches: what is fitted, last pit, what is due")
    own.add_argument("name", nargs="?", help="one torch by name; none: all of them")
    own.add_argument("--json", action="store_true", help="print JSON")
    own.set_defaults(run=run)


def _plain(view: TorchView) -> dict[str, Any]:
    return {
        "torch": view.torch.name,
        "station": view.torch.station.name,
        "process": view.torch.process.name,
        "due": view.due,
        "total_starts": view.total_starts,
        "total_arc_minutes": view.total_minutes,
        "starts_since_inspection": view.starts_since,
        "last_inspection": view.last_inspection_id,
        "last_signed_at": view.last_signed_at.isoformat() if view.last_signed_at else None,
        "last_set": view.last_set,
        "last_pit_mm": view.last_pit.depth_mm if view.last_pit else None,
        "last_pit_u_mm": view.last_pit.u_mm if view.last_pit else None,
        "limit": view.limit.quoted() if view.limit else None,
        "fitted": {
            p.part: {
                "tag": p.tag,
                "type": p.kind,
                "starts": p.life.starts if p.life else None,
                "arc_minutes": p.life.arc_minutes if p.life else None,
            }
            for p in view.parts
            if p.tag
        },
    }


def run(args: argparse.Namespace) -> int:
    """Print torches."""
    found = views.torches(open_shop(args), SYSTEM)
    if args.name:
        names = [v.torch.name for v in found]
        near = difflib.get_close_matches(args.name, names, 1, 0.4)
        found = [v for v in found if v.torch.name.casefold() == args.name.casefold()]
        if not found:
            mend = f"did you mean '{near[0]}'" if near else f"the book has: {', '.join(names)}"
            raise NotFoundError("name", f"there is no torch '{args.name}'", mend)
    if args.json:
        print_json([_plain(v) for v in found])
        return 0
    out = console()
    if not found:
        out.print("No torch is in the book yet: add one on the Shop page.")
    for view in found:
        plain = _plain(view)
        pit = "not gauged" if view.last_pit is None else f"{view.last_pit.depth_mm:.2f} mm"
        if view.last_pit is not None and view.last_pit.u_mm is not None:
            pit += f" ± {2 * view.last_pit.u_mm:.2f} (k = 2)"
        out.print(
            f"{plain['torch']}, {plain['station']}, {plain['process']}: {plain['due']}; "
            f"last pit {pit}, limit {plain['limit']}",
            markup=False,
        )
        if args.name:
            table = Table()
            for name in ("Part", "Tag", "Type", "Starts", "Arc minutes"):
                table.add_column(name)
            for part in view.parts:
                life = part.life
                table.add_row(
                    part.name,
                    part.tag or "–",
                    part.kind or "–",
                    str(life.starts) if life else "–",
                    f"{life.arc_minutes:.1f}" if life else "–",
                )
            out.print(table, markup=False)
    return 0
