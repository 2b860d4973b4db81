"""Run the benchmarks: `python -m benchmarks [name …] [--json] [--folder DIR]`.

A name may be the first word of several: `life` is all of `life_…`.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import sqlite3
import tempfile
from collections.abc import Callable
from pathlib import Path

from benchmarks import (
    bench_touch,
    calibration,
    causes,
    causes_eval,
    circle,
    decide,
    life,
    linear,
    photo_eval,
    photo_speed,
    program,
    shelf,
    sign,
    wear,
)
from benchmarks.result import Result

BENCHMARKS: dict[str, Callable[[Path], Result]] = {
    "decide": decide.run,
    "sign": sign.run,
    "bench_touch": bench_touch.run,
    "program": program.run,
    "program_peer": program.run_peer,
    "linear": linear.run,
    "wear_fit": wear.fit,
    "wear_update": wear.update,
    "wear_fleet": wear.fleet,
    "calibration": calibration.run,
    "causes_eval": causes_eval.run,
    "causes_lazy": causes.against_lazy,
    "causes_lazy_absent": causes.against_lazy_absent,
    "causes_elimination": causes.against_elimination,
    "causes_20": causes.twenty,
    "causes_gains": causes.all_gains,
    "circle_zone": circle.zone,
    "circle_around": circle.around,
    **life.BENCHMARKS,
    "photo_eval": photo_eval.run,
    "photo_speed": photo_speed.run,
    "shelf_rq": shelf.reorder,
    "shelf_ss": shelf.review,
}


def named(name: str) -> list[str]:
    """Return the benchmarks of a name: itself, or those it is the first word of; [] of none."""
    return [name] if name in BENCHMARKS else [x for x in BENCHMARKS if x.startswith(f"{name}_")]


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="benchmarks", description="Ratios against named peers, measured in the same run."
    )
    parser.add_argument("names", nargs="*", metavar="name", help=f"of: {', '.join(BENCHMARKS)}")
    parser.add_argument("--json", action="store_true", help="print JSON")
    parser.add_argument(
        "--folder", type=Path, help="where the books lie while measured: the disk that counts"
    )
    parser.add_argument(
        "--quick",
        action="store_true",
        help="causes_eval and photo_eval at a small size; their pages are left alone",
    )
    parser.add_argument("--scenes", type=int, help="photo_eval: scenes of its main group")
    args = parser.parse_args()
    names = []
    for name in args.names or list(BENCHMARKS):
        found = named(name)
        if not found:
            parser.error(f"'{name}' is no benchmark: use {', '.join(BENCHMARKS)}")
        names += found
    results = []
    for name in names:
        with tempfile.TemporaryDirectory(prefix="pitwise-bench-", dir=args.folder) as folder:
            if name == "causes_eval":
                result = causes_eval.run(Path(folder), quick=args.quick)
            elif name == "photo_eval":
                result = photo_eval.run(Path(folder), scenes=args.scenes, quick=args.quick)
            else:
                result = BENCHMARKS[name](Path(folder))
        results.append(result)
        if not args.json:
            print(result.table(), end="\n\n", flush=True)
    machine = {
        "cores": os.cpu_count(),
        "python": platform.python_version(),
        "sqlite": sqlite3.sqlite_version,
        "system": f"{platform.system()} {platform.machine()}",
    }
    if args.json:
        print(json.dumps({"machine": machine, "results": [r.as_json() for r in results]}, indent=2))
    else:
        print("on " + ", ".join(f"{k} {v}" for k, v in machine.items()))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
