"""How far is the measurement from a photo off, on rendered scenes whose truth is exact?

Writes its table into docs/photo-evaluation.md. Seeded: the same scenes on every run.
"""

from __future__ import annotations

import math
import multiprocessing
import os
import platform
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from benchmarks.photo_scenes import GROUPS
from benchmarks.photo_work import Peers, Repeats, Row, work
from benchmarks.result import Result, Spread
from pitwise import __version__

PAGE = Path(__file__).parents[1] / "docs" / "photo-evaluation.md"
START, END = "<!-- table: python -m benchmarks photo_eval -->", "<!-- end of table -->"
SCENES, QUICK = 48, 4
JUDGED = 0
"""Family of the seeds judged on; what is tuned looks at other families only."""
# Scenes of each group for one of the main group.
_SHARE = {
    "hole": 1.0,
    "nick": 1.0,
    "big-nick": 0.5,
    "spatter": 0.5,
    "glare": 0.35,
    "pit": 0.5,
    "turned": 0.2,
    "repeat": 0.04,
    "sharpened": 0.25,
    "bevelled": 0.25,
}
_TILTED_DEG = 5.0
_SPATTER_PX = 0.2
_OVER_PEER = "ours over the best peer"


@dataclass(frozen=True)
class Line:
    """One line of the table: what was asked, what came out, of how many."""

    what: str
    value: float
    unit: str
    of: str
    goal: float | None = None
    at_least: bool = False

    @property
    def met(self) -> bool | None:
        if self.goal is None:
            return None
        if math.isnan(self.value):
            return False
        return self.value >= self.goal if self.at_least else self.value <= self.goal

    def cells(self) -> tuple[str, str, str, str, str]:
        def shown(value: float) -> str:
            if math.isnan(value):
                return "none"
            if self.unit == "%":
                return f"{100 * value:.1f} %"
            return f"{value:.3g} {self.unit}".strip()

        goal = "–"
        if self.goal is not None:
            goal = ("≥ " if self.at_least else "≤ ") + shown(self.goal)
        verdict = {None: "–", True: "met", False: "**missed**"}[self.met]
        return self.what, shown(self.value), goal, verdict, self.of


def rms(values: Sequence[float]) -> float:
    return float(np.sqrt(np.mean(np.square(values)))) if len(values) else math.nan


def p95(values: Sequence[float]) -> float:
    return float(np.percentile(np.abs(values), 95)) if len(values) else math.nan


def share(flags: Sequence[bool]) -> float:
    return float(np.mean(flags)) if len(flags) else math.nan


def gather(scenes: int, family: int, groups: Sequence[str] = GROUPS) -> list[Row | Peers | Repeats]:
    """Return what every job gives, in the order of the jobs."""
    # Long jobs first, so that no core is left waiting for one.
    order = sorted(groups, key=lambda g: g not in ("repeat", "turned"))
    jobs = [(g, n, family) for g in order for n in range(max(1, round(scenes * _SHARE[g])))]
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(os.cpu_count(), mp_context=context) as pool:
        return [row for rows in pool.map(work, jobs, chunksize=1) for row in rows]


def lines_of(rows: Sequence[Row | Peers | Repeats]) -> list[Line]:
    """Return the table."""
    photos = [r for r in rows if isinstance(r, Row)]
    peers = [r for r in rows if isinstance(r, Peers)]

    def of(group: str, tone: str, keep: Callable[[Row], bool] = lambda _: True) -> list[Row]:
        return [r for r in photos if r.group == group and r.tone == tone and keep(r)]

    def told(all_rows: list[Row]) -> tuple[list[Row], str]:
        kept = [r for r in all_rows if r.refused is None]
        return kept, f"{len(kept)} of {len(all_rows)} photos, the others refused"

    lines = []
    known, of_known = told(of("hole", "known"))
    unknown, of_unknown = told(of("hole", "unknown"))
    lines += [
        Line("diameter, RMS, tone known", rms([r.error_px for r in known]), "px", of_known, 0.04),
        Line("diameter, p95, tone known", p95([r.error_px for r in known]), "px", of_known),
        Line(
            "diameter, p95, tone unknown",
            p95([r.error_px for r in unknown]),
            "px",
            of_unknown,
            0.25,
        ),
    ]
    lines += _against(known, peers)
    lines += [
        Line(
            "roundness error, p95, tone known",
            p95([r.roundness_px for r in known if not math.isnan(r.roundness_px)]),
            "px",
            of_known,
            0.15,
        ),
        Line(
            "roundness error, p95, tone unknown",
            p95([r.roundness_px for r in unknown if not math.isnan(r.roundness_px)]),
            "px",
            of_unknown,
        ),
    ]
    nicked = of("nick", "known")
    clean = [r for r in photos if r.group == "hole" and r.refused is None]
    lines += [
        Line(
            "nicks of 1 px × 3 px found",
            share([r.found == r.nicks for r in nicked]),
            "%",
            f"{len(nicked)} photos with one; refused counts as not found",
            0.95,
            at_least=True,
        ),
        Line(
            "holes without a nick in which one was reported",
            share([r.false > 0 for r in clean]),
            "%",
            f"{len(clean)} photos, both tones",
            0.01,
        ),
        Line(
            "off-centre, one photo, p95 of the vector's error",
            p95([r.aside_um for r in unknown]),
            "µm",
            of_unknown,
            25.0,
        ),
    ]
    four = [r for r in photos if r.group == "four"]
    turned = [r for r in four if r.refused is None]
    sets = sum(r.group == "turned" for r in photos) // 4
    lines.append(
        Line(
            "off-centre, four turns, p95",
            p95([r.aside_um for r in turned]),
            "µm",
            f"{len(turned)} of {sets} sets of four photos, quarters slipped by 1°",
            5.0,
        )
    )
    big = of("big-nick", "known")
    sought = of("hole", "known") + nicked + big
    lines += [
        Line(
            "located",
            share([r.located for r in sought]),
            "%",
            f"{len(sought)} photos: holes, with nicks of 1 px and of 0.3 mm",
            0.99,
            at_least=True,
        ),
        Line(
            "nicks of 0.3 mm found",
            share([r.found == r.nicks for r in big]),
            "%",
            f"{len(big)} photos",
        ),
    ]
    for group, goal in (("spatter", 1.0), ("glare", None)):
        dirty = of(group, "known")
        refused = sum(r.refused is not None for r in dirty)
        lines.append(
            Line(
                f"{group}: diameter within {_SPATTER_PX} px or refused",
                share([r.refused is not None or abs(r.error_px) <= _SPATTER_PX for r in dirty]),
                "%",
                f"{len(dirty)} photos, {refused} of them refused",
                goal,
                at_least=True,
            )
        )
    for group, kind in (
        ("sharpened", "sharpened by the camera"),
        ("bevelled", "hole's edge bevelled"),
    ):
        kept, of_kept = told(of(group, "known"))
        lines.append(Line(f"{kind}: diameter, p95", p95([r.error_px for r in kept]), "px", of_kept))
    for tone in ("known", "unknown"):
        pits = of("pit", tone)
        kept, of_pits = told(pits)
        lines += [
            Line(f"pits located, tone {tone}", share([r.located for r in pits]), "%", of_pits),
            Line(
                f"pits: diameter, p95, tone {tone}", p95([r.error_px for r in kept]), "px", of_pits
            ),
        ]
        lines.append(
            Line(
                f"pits: off-centre, p95, tone {tone}",
                p95([r.aside_um for r in kept]),
                "µm",
                of_pits,
            )
        )
    lines += _repeated([r for r in rows if isinstance(r, Repeats)])
    lines += _covered(photos)
    return lines


def _against(known: list[Row], peers: list[Peers]) -> list[Line]:
    """Compare with the peers where the face is tilted, on photos that all could measure."""
    lines = []
    ours = {r.number: r for r in known if r.tilt_deg >= _TILTED_DEG}
    for circle in (True, False):
        kind = "tilted circular holes" if circle else "tilted out-of-round holes"
        tilted = [p for p in peers if p.number in ours and p.circle == circle]
        found = [p for p in tilted if p.hough_px is not None and p.canny_px is not None]
        mine = rms([ours[p.number].error_px for p in found])
        best = min(rms([p.hough_px or 0.0 for p in found]), rms([p.canny_px or 0.0 for p in found]))
        of = f"{len(found)} of {len(tilted)} photos, tilted {_TILTED_DEG:g}° or more"
        lines += [
            Line(f"{kind}: diameter, RMS, ours", mine, "px", of),
            Line(f"{kind}: Hough", rms([p.hough_px or 0.0 for p in found]), "px", of),
            Line(f"{kind}: Canny and ellipse", rms([p.canny_px or 0.0 for p in found]), "px", of),
            Line(
                f"{kind}: Canny and ellipse, told the tilt as well",
                rms([p.canny_told_tilt_px or 0.0 for p in found]),
                "px",
                of,
            ),
            Line(f"{kind}: {_OVER_PEER}", mine / best, "", of, 0.1),
        ]
    return lines


def _repeated(repeats: list[Repeats]) -> list[Line]:
    good = [r for r in repeats if not math.isnan(r.sd_px)]
    of = f"{len(good)} specimens × {repeats[0].asked if repeats else 0} noises, one channel"
    return [
        Line("repeatability of the diameter, RMS", rms([r.sd_px for r in good]), "px", of),
        Line(
            "repeatability over the Cramér–Rao bound",
            rms([r.sd_px / r.bound_px for r in good]),
            "",
            of,
            1.5,
        ),
    ]


def _covered(photos: list[Row]) -> list[Line]:
    lines = []
    for label, group, tone in (
        ("holes, tone known", "hole", "known"),
        ("holes, tone unknown", "hole", "unknown"),
        ("spatter", "spatter", "known"),
        ("glare", "glare", "known"),
        ("pits, tone unknown", "pit", "unknown"),
    ):
        kept = [r for r in photos if (r.group, r.tone, r.refused) == (group, tone, None)]
        lines.append(
            Line(
                f"true diameter within ± 2 u: {label}",
                share([abs(r.error_px) <= 2 * r.u_px for r in kept]),
                "%",
                f"{len(kept)} photos; median u "
                f"{np.median([r.u_px for r in kept]) if kept else math.nan:.3f} px",
            )
        )
    kept = [r for r in photos if (r.group, r.tone, r.refused) == ("hole", "unknown", None)]
    lines.append(
        Line(
            "true off-centre within 2 u: holes, tone unknown",
            share([r.aside_um <= 2 * r.aside_u_um for r in kept]),
            "%",
            f"{len(kept)} photos",
        )
    )
    return lines


def markdown(lines: Sequence[Line], scenes: int, seconds: float) -> str:
    head = (
        f"Pitwise {__version__}, {datetime.now(UTC):%Y-%m-%d}, {scenes} scenes of the main group, "
        f"{seconds:.0f} s on {os.cpu_count()} cores, Python {platform.python_version()}."
    )
    rows = ["| what | found | goal | | of |", "|---|---|---|---|---|"]
    rows += ["| " + " | ".join(line.cells()) + " |" for line in lines]
    return "\n".join([head, "", *rows])


def run(folder: Path, *, scenes: int | None = None, quick: bool = False) -> Result:
    """Run it; the page is written unless it is a quick look."""
    del folder
    asked = scenes or (QUICK if quick else SCENES)
    begun = datetime.now(UTC)
    rows = gather(asked, JUDGED)
    lines = lines_of(rows)
    if not quick:
        page = PAGE.read_text(encoding="utf-8")
        before, rest = page.split(START)
        after = rest.split(END)[1]
        table = markdown(lines, asked, (datetime.now(UTC) - begun).total_seconds())
        PAGE.write_text(f"{before}{START}\n{table}\n\n{END}{after}", encoding="utf-8")
    ratios = [line.value for line in lines if line.what.endswith(_OVER_PEER)]
    return Result(
        "photo_eval",
        "diameter from a photo of a tilted part, RMS",
        "best of OpenCV Hough and scikit-image Canny + ellipse, told the true centre",
        Spread.of(ratios),
        0.1,
        figures={
            line.what: f"{line.cells()[1]:<12}{line.cells()[2]:<12}"
            f"{line.cells()[3].strip('*'):<8}{line.of}"
            for line in lines
        },
        raw={line.what: line.value for line in lines if not math.isnan(line.value)},
    )
