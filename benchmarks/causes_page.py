"""The tables of docs/causes-evaluation.md."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from benchmarks.causes_eval import BINS, SIZES, Findings
from benchmarks.causes_score import (
    ENGINES,
    STAGES,
    WAYS,
    Claimed,
    Cured,
    Learning,
    found,
    log_score,
    mean_se,
    off,
    saving,
)
from benchmarks.causes_worlds import NOISES

BEGIN = "<!-- tables: written by python -m benchmarks causes_eval -->"
END = "<!-- end of tables -->"


def write(page: Path, out: Findings) -> None:
    """Write the tables between the page's two marks."""
    text = page.read_text(encoding="utf-8")
    before, rest = text.split(BEGIN)
    _, after = rest.split(END)
    page.write_text(f"{before}{BEGIN}\n\n{tables(out)}\n{END}{after}", encoding="utf-8")


def tables(out: Findings) -> str:
    """Return all tables as Markdown."""
    parts = (
        _minutes(out.cured),
        _effort(out.cured),
        _claims([c for c in out.claims if c.engine == "ours"]),
        _tries(out.cured),
        _top(out.claims),
        _bounds(out.claims),
        _learning(out),
        [
            'The order found on tuning truths ("good order"): '
            + ", ".join(f"`{c}`" for c in out.good)
            + "."
        ],
    )
    return "\n\n".join("\n".join(lines) for lines in parts) + "\n"


def _row(*cells: object) -> str:
    return "| " + " | ".join(str(c) for c in cells) + " |"


def _rule(count: int) -> str:
    return "|" + "---|" * count


def _share(value: float, se: float) -> str:
    return "–" if np.isnan(value) else f"{100 * value:.0f} % ± {100 * se:.1f}"


def _groups(cured: Sequence[Cured]) -> Iterator[tuple[str, str, list[Cured]]]:
    for noise in NOISES:
        for stage in STAGES[:2]:
            rows = [c for c in cured if c.noise == noise and c.stage == stage]
            yield f"{noise:g}", stage, rows
        yield f"**{noise:g}**", "**both**", [c for c in cured if c.noise == noise]


def _minutes(cured: Sequence[Cured]) -> list[str]:
    head = ("noise", "start", "cases", "needed", "ours", *(f"saved: {w}" for w in WAYS[1:]))
    lines = ["### Minutes to cure", "", _row(*head), _rule(len(head))]
    for noise, stage, rows in _groups(cured):
        needed, _ = mean_se(c.needed for c in rows)
        ours, se = mean_se(c.minutes[0] for c in rows)
        saved = [_share(*saving(rows, way)) for way in range(1, len(WAYS))]
        lines.append(
            _row(noise, stage, len(rows), f"{needed:.0f}", f"{ours:.1f} ± {se:.1f}", *saved)
        )
    return lines


def _effort(cured: Sequence[Cured]) -> list[str]:
    head = ("way", "minutes", "one fault only", "checks done", "cures tried", "true causes")
    lines = ["### What was done", "", _row(*head), _rule(len(head))]
    cured = [c for c in cured if len(c.minutes) == len(WAYS)]
    single = [c for c in cured if c.causes == 1]
    true, _ = mean_se(c.causes for c in cured)
    for way, name in enumerate(WAYS):
        lines.append(
            _row(
                name,
                f"{mean_se(c.minutes[way] for c in cured)[0]:.1f}",
                f"{mean_se(c.minutes[way] for c in single)[0]:.1f}",
                f"{mean_se(c.checks[way] for c in cured)[0]:.1f}",
                f"{mean_se(c.cures[way] for c in cured)[0]:.1f}",
                f"{true:.1f}",
            )
        )
    return lines


def _gap(claims: Sequence[Claimed], low: float, high: float = 1.01) -> str:
    gap, se, count = off(claims, low, high)
    return "–" if not count else f"{gap:+.3f} ± {se:.3f} ({count})"


def _claims(claims: Sequence[Claimed]) -> list[str]:
    head = ("known", "noise", "above .5", *(f"{b:.1f}–{b + 0.1:.1f}" for b in BINS))
    lines = ["### Claimed less true, among causes claimed above 50 %", "", _row(*head)]
    lines.append(_rule(len(head)))
    for stage in (*STAGES, None):
        for noise in (*NOISES, None):
            if stage is None and noise is not None:
                continue
            rows = [c for c in claims if stage in (c.stage, None) and noise in (c.noise, None)]
            cells = [_gap(rows, 0.5), *(_gap(rows, b, b + 0.1 if b < 0.9 else 1.01) for b in BINS)]
            lines.append(_row(stage or "**all**", f"{noise:g}" if noise else "**all**", *cells))
    return lines


def _tries(cured: Sequence[Cured]) -> list[str]:
    head = ("claimed when the cure was tried", "cures", "claimed", "cause was at work")
    lines = ["### Cures tried by our steps", "", _row(*head), _rule(len(head))]
    claims = [c for case in cured for c in case.claims]
    for low, high in ((0.0, 0.2), (0.2, 0.5), (0.5, 0.8), (0.8, 1.01)):
        some = [c for c in claims if low <= c[0] < high]
        if some:
            said, came = mean_se(p for p, _ in some)[0], mean_se(float(t) for _, t in some)
            lines.append(
                _row(f"{low:.1f}–{min(high, 1):.1f}", len(some), f"{said:.2f}", _share(*came))
            )
    return lines


def _top(claims: Sequence[Claimed]) -> list[str]:
    head = ("known", "noise", "one fault: it", "several: any", "several: all", "all cases: any")
    lines = ["### The right cause in the top three", "", _row(*head), _rule(len(head))]
    for stage in STAGES:
        for noise in (*NOISES, None):
            rows = [
                c
                for c in claims
                if c.stage == stage and c.engine == "ours" and noise in (c.noise, None)
            ]
            cells = _hits(rows, 3)
            lines.append(_row(stage, f"{noise:g}" if noise else "**all**", *cells))
    return lines


def _hits(rows: Sequence[Claimed], top: int) -> list[str]:
    return [f"{_share(mean, se)} ({n})" if n else "–" for mean, se, n in found(rows, top).values()]


def _bounds(claims: Sequence[Claimed]) -> list[str]:
    head = (
        "known",
        "engine",
        "one fault: top 3",
        "all cases: top 3",
        "one fault: top 1",
        "all cases: top 1",
        "log score",
        "claims above .5",
    )
    lines = ["### What an engine told the truth would reach", "", _row(*head), _rule(len(head))]
    for stage in STAGES:
        for engine in (*ENGINES, "and one cause only"):
            rows = [c for c in claims if c.stage == stage and c.engine == engine]
            if not rows:
                continue
            three, first = _hits(rows, 3), _hits(rows, 1)
            if engine == "and one cause only":
                cells = (three[0], "–", first[0], "–", "–", "–")
            else:
                score, gap = f"{log_score(rows):.3f}", _gap(rows, 0.5)
                cells = (three[0], three[3], first[0], first[3], score, gap)
            lines.append(_row(stage, engine, *cells))
    return lines


def _learning(out: Findings) -> list[str]:
    head = ("confirmed cases", "top one", "top three", "log score", *(f"at {n:g}" for n in NOISES))
    head = (*head, "minutes", "minutes saved")
    lines = ["### Learning", "", _row(*head), _rule(len(head))]
    start = {row.shop: row for row in out.learning if row.size == 0}
    for size, told in (*((size, False) for size in SIZES), (SIZES[-1], True)):
        rows = [row for row in out.learning if row.size == size and row.told == told]
        cells = [
            _since(rows, start, "top1"),
            _since(rows, start, "top3"),
            _moved(rows, start, "score", ".3f"),
            *(_moved([r for r in rows if r.noise == n], start, "score", ".3f") for n in NOISES),
        ]
        if np.isnan(rows[0].minutes):
            cells += ["–", "–"]
        else:
            saved = mean_se(start[r.shop].minutes - r.minutes for r in rows)
            cells.append(f"{mean_se(r.minutes for r in rows)[0]:.1f}")
            cells.append(f"{saved[0]:+.1f} ± {saved[1]:.1f}")
        lines.append(_row("told the truth" if told else size, *cells))
    return lines


def _moved(rows: Sequence[Learning], start: dict[int, Learning], name: str, form: str) -> str:
    mean = mean_se(getattr(r, name) for r in rows)[0]
    gone, se = mean_se(getattr(r, name) - getattr(start[r.shop], name) for r in rows)
    return f"{mean:{form}} ({gone:+{form}} ± {se:{form}})"


def _since(rows: Sequence[Learning], start: dict[int, Learning], name: str) -> str:
    mean = mean_se(getattr(r, name) for r in rows)[0]
    gone, se = mean_se(100 * (getattr(r, name) - getattr(start[r.shop], name)) for r in rows)
    return f"{100 * mean:.0f} % ({gone:+.1f} ± {se:.1f})"
