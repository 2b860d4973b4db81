"""How fast a cut program is counted, beside reading and splitting it, and beside pygcode."""

from __future__ import annotations

import math
import random
import subprocess
import sys
import time
import warnings
from collections.abc import Iterator
from pathlib import Path

from benchmarks.result import Result, Spread
from pitwise.job.model import ProgramCount, ReaderSettings
from pitwise.job.reader import read_program
from pitwise.job.source import BLOCK_BYTES, program_lines

LINES = 1_000_000
# pygcode takes about a minute for a million lines; its time grows evenly with them.
PEER_LINES = 20_000
ROUNDS = 7
ACCEL = ReaderSettings(accel_mm_s2=800.0, rapid_mm_min=15_000.0)

# VmHWM, since ru_maxrss would begin at the size of the process that forked this one.
_MEMORY = """
import sys
from pathlib import Path
from benchmarks.program import count
if sys.argv[1]:
    count(sys.argv[1])
status = Path("/proc/self/status").read_text()
print(next(x for x in status.splitlines() if x.startswith("VmHWM")).split()[1])
"""


def nest(lines: int, seed: int = 1) -> Iterator[str]:
    """Give the lines of a made-up nest: parts of 20 lines and 6 arcs, each lit and pierced."""
    rng = random.Random(seed)
    yield from ("%", "G21 G90 G17", "F3000")
    given = 3
    while given + 35 < lines:
        x, y = rng.uniform(0, 3000), rng.uniform(0, 1500)
        part = [f"G0 X{x:.3f} Y{y:.3f}", "M3", "G4 P0.4"]
        for _ in range(20):
            x, y = x + rng.uniform(-20, 20), y + rng.uniform(-20, 20)
            part.append(f"G1 X{x:.3f} Y{y:.3f}")
        for _ in range(6):
            i, j, turn = rng.uniform(-9, 9), rng.uniform(-9, 9), rng.uniform(0.1, 6)
            c, s = math.cos(turn), math.sin(turn)
            x, y = x + i - i * c + j * s, y + j - i * s - j * c
            part.append(f"G3 X{x:.3f} Y{y:.3f} I{i:.3f} J{j:.3f}")
        part.append("M5")
        yield from part
        given += len(part)
    yield from ["(made up)"] * (lines - given - 2)
    yield from ("M30", "%")


def write_nest(folder: Path, lines: int) -> Path:
    file = folder / f"nest-{lines}.nc"
    file.write_text("\n".join(nest(lines)) + "\n")
    return file


def count(file: str | Path, settings: ReaderSettings | None = None) -> ProgramCount:
    def blocks() -> Iterator[bytes]:
        with Path(file).open("rb") as opened:
            while block := opened.read(BLOCK_BYTES):
                yield block

    return read_program(program_lines(blocks()), settings)


def _count_seconds(file: Path, settings: ReaderSettings | None = None) -> float:
    start = time.perf_counter()
    count(file, settings)
    return time.perf_counter() - start


def _split_seconds(file: Path) -> float:
    start = time.perf_counter()
    with file.open() as opened:
        for line in opened:
            line.split()
    return time.perf_counter() - start


def _peer_seconds(lines: list[str]) -> tuple[float, float]:
    """Return pygcode's time to follow the lines, and to parse them only.

    It gives neither lengths nor times, so that it does less than is done here.
    """
    from pygcode import Line, Machine

    start = time.perf_counter()
    for line in lines:
        Line(line)
    parsed = time.perf_counter() - start
    machine = Machine()
    start = time.perf_counter()
    for line in lines:
        machine.process_block(Line(line).block)
    return time.perf_counter() - start, parsed


def _peak_mb(file: Path | None) -> float:
    done = subprocess.run(
        [sys.executable, "-c", _MEMORY, str(file or "")],
        check=True,
        capture_output=True,
        text=True,
        cwd=Path(__file__).parents[1],
    )
    return int(done.stdout) / 1024


def run(folder: Path) -> Result:
    """Measure against reading and splitting the same lines."""
    file = write_nest(folder, LINES)
    _split_seconds(file)
    ours, with_accel, peers = [], [], []
    for _ in range(ROUNDS):
        ours.append(_count_seconds(file))
        peers.append(_split_seconds(file))
        with_accel.append(_count_seconds(file, ACCEL))
    bare, small, large = (
        _peak_mb(None),
        _peak_mb(write_nest(folder, LINES // 10)),
        _peak_mb(file),
    )
    got = count(file)
    million = 1e6 / LINES
    mine = Spread.of([x * million for x in ours])
    theirs = Spread.of([x * million for x in peers])
    planned = Spread.of([x * million for x in with_accel])
    by_plan = Spread.of([a / b for a, b in zip(with_accel, peers, strict=True)])
    return Result(
        "program",
        f"job.reader.read_program on {LINES:,} lines ({got.starts:,} starts)",
        "reading and splitting the lines (for line in file: line.split())",
        Spread.of([a / b for a, b in zip(ours, peers, strict=True)]),
        goal=10.0,
        figures={
            "µs a line": mine.words(".2f"),
            "peer, µs a line": theirs.words(".3f"),
            "with acceleration": planned.words(".2f"),
            "its ratio": by_plan.words(".2f"),
            "peak memory": f"{bare:.0f} MB before, {small:.0f} MB at {LINES // 10:,} lines, "
            f"{large:.0f} MB at {LINES:,}",
        },
        raw={
            "us_per_line": mine.median,
            "peer_us_per_line": theirs.median,
            "accel_us_per_line": planned.median,
            "peak_mb_bare": bare,
            "peak_mb_tenth": small,
            "peak_mb": large,
        },
    )


def run_peer(folder: Path) -> Result:
    """Measure against pygcode, per line."""
    file = write_nest(folder, LINES)
    lines = list(nest(PEER_LINES))
    ours, followed, parsed = [], [], []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for _ in range(ROUNDS):
            ours.append(_count_seconds(file) / LINES * 1e6)
            follow, parse = _peer_seconds(lines)
            followed.append(follow / PEER_LINES * 1e6)
            parsed.append(parse / PEER_LINES * 1e6)
    parse_ratio = Spread.of([b / a for a, b in zip(ours, parsed, strict=True)])
    times = Spread.of([b / a for a, b in zip(ours, followed, strict=True)])
    return Result(
        "program_peer",
        f"job.reader.read_program on {LINES:,} lines, per line",
        f"pygcode following {PEER_LINES:,} such lines (no lengths, no times), per line",
        Spread.of([a / b for a, b in zip(ours, followed, strict=True)]),
        goal=1 / 50,
        figures={
            "µs a line": Spread.of(ours).words(".2f"),
            "pygcode, µs a line": Spread.of(followed).words(".1f"),
            "times as fast": times.words(".1f"),
            "as parsing alone": parse_ratio.words(".1f"),
        },
        raw={"times_as_fast": times.median, "times_as_parsing": parse_ratio.median},
    )
