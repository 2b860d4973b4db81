"""`pitwise life`: how long parts last, from a file of lives seen whole or in part."""

from __future__ import annotations

import argparse
import math
from typing import Any

from rich.table import Table

from pitwise.cli.common import console, print_json, read_text
from pitwise.services.errors import ServiceError
from pitwise.trade.given import InputError
from pitwise.wear.life.file import ReadLives, read_lives
from pitwise.wear.life.intervals import Range, wald
from pitwise.wear.life.lives import Lives
from pitwise.wear.life.profile import ProfileNotDoneError, profile
from pitwise.wear.life.steps import LogRank, Steps, kaplan_meier, logrank
from pitwise.wear.life.tell import (
    CURVATURE_FROM,
    Compared,
    TooFewToTell,
    compare,
    p_words,
    tell,
)
from pitwise.wear.life.turnbull import turnbull
from pitwise.wear.life.weibull import fit_weibull
from pitwise.wear.refusal import FitRefusedError

_LARGEST = 64 * 1024 * 1024
_NAMES = {
    "shape": "Shape",
    "scale": "Scale: 63.2 % have ended by",
    "b10": "B10: 10 % have ended by",
    "b50": "B50: half have ended by",
}
# More rows than a person reads.
_SHOWN = 40
NARROW = f"below {CURVATURE_FROM} ends ranges by the curvature are too narrow"


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    own = commands.add_parser(
        "life", help="how long parts last: Weibull fit and step curves of a file of lives"
    )
    own.add_argument(
        "file", metavar="LIVES", help="CSV with the header lower,upper[,count][,group], or -"
    )
    own.add_argument("--json", action="store_true", help="print JSON")
    own.add_argument(
        "--level", type=_level, default=0.95, help="of the ranges, between 0 and 1 (0.95)"
    )
    by = own.add_mutually_exclusive_group()
    by.add_argument(
        "--profile",
        dest="by",
        action="store_const",
        const="likelihood",
        help=f"ranges by the likelihood itself (shown below {CURVATURE_FROM} ends)",
    )
    by.add_argument(
        "--wald",
        dest="by",
        action="store_const",
        const="curvature",
        help=f"ranges by its curvature (shown from {CURVATURE_FROM} ends on; JSON's `intervals`)",
    )
    own.set_defaults(run=run_life)


def _level(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0 < value < 1:
        raise argparse.ArgumentTypeError(f"'{text}' is not between 0 and 1")
    return value


def run_life(args: argparse.Namespace) -> int:
    """Fit the lives of a file and print what they tell."""
    text = read_text(args.file, largest=_LARGEST)
    try:
        read = read_lives(text)
    except InputError as error:
        place = f"{args.file}: {error.place}" if error.place else args.file
        raise ServiceError(place, error.problem, error.mend) from error
    found = plain(read, args.level, by_likelihood=args.by == "likelihood")
    if args.json:
        print_json(found)
    else:
        _print(args.file, found, args.by)
    return 0


def plain(read: ReadLives, level: float, *, by_likelihood: bool) -> dict[str, Any]:
    """Return all that a file of lives tells, as plain data.

    What can't be told is null, with the reason beside it.
    """
    lives = read.lives
    found = _fit_plain(lives, level, by_likelihood=by_likelihood)
    found["level"] = level
    found["intervals_by"] = "likelihood" if by_likelihood else "curvature"
    found |= _turnbull_plain(lives)
    try:
        found["kaplan_meier"] = _steps_plain(kaplan_meier(lives, level))
    except FitRefusedError as refused:
        found |= {"kaplan_meier": None, "kaplan_meier_reason": str(refused)}
    found |= _compared_plain(read.groups)
    found["groups"] = {
        name: _fit_plain(group, level, by_likelihood=by_likelihood)
        for name, group in read.groups.items()
    }
    return found


def _fit_plain(lives: Lives, level: float, *, by_likelihood: bool) -> dict[str, Any]:
    found: dict[str, Any] = {"lives": lives.total, "ends": lives.ends}
    try:
        fit = fit_weibull(lives)
    except FitRefusedError as refused:
        keys = ("shape", "scale", "loglik", "b10", "b50", "mean", "intervals", "profile_intervals")
        reasons = {"reason": refused.reason, "mend": refused.mend}
        return found | dict.fromkeys(keys) | reasons
    note = None
    ranges, own = wald(fit, level), None
    try:
        own = profile(lives, fit, level)
    except ProfileNotDoneError as refused:
        note = f"{refused.reason}; these are by the curvature"
    if by_likelihood and own:
        ranges = own
    elif own and lives.ends < CURVATURE_FROM:
        note = NARROW
    told = tell(lives, level)
    if isinstance(told, TooFewToTell):
        note = told.reason
    b10, b50 = (float(x) for x in fit.quantile([0.1, 0.5]))
    return found | {
        "shape": fit.shape,
        "scale": fit.scale,
        "loglik": fit.loglik,
        "b10": b10,
        "b50": b50,
        "mean": _finite(fit.mean),
        "intervals": _ranges_plain(ranges),
        "profile_intervals": _ranges_plain(own) if own else None,
        "covariance_log": [[float(x) for x in row] for row in fit.covariance],
        "note": note,
    }


def _ranges_plain(ranges: dict[str, Range]) -> dict[str, list[float | None]]:
    return {name: [_finite(r.low), _finite(r.high)] for name, r in ranges.items()}


def _finite(value: float) -> float | None:
    """Return a number JSON can hold; null where there is none, or it has no bound."""
    return float(value) if math.isfinite(value) else None


def _turnbull_plain(lives: Lives) -> dict[str, Any]:
    try:
        found = turnbull(lives)
    except FitRefusedError as refused:
        return {"turnbull": None, "turnbull_reason": str(refused)}
    rows = zip(found.from_, found.to, found.mass, strict=True)
    return {
        "turnbull": [{"from": float(a), "to": _finite(b), "mass": float(m)} for a, b, m in rows],
        "turnbull_loglik": found.loglik,
        "turnbull_gap": found.gap,
    }


def _steps_plain(steps: Steps) -> list[dict[str, Any]]:
    names = ("time", "survival", "se", "low", "high", "at_risk", "ended")
    columns = [getattr(steps, name) for name in names]
    return [
        {name: _finite(x) for name, x in zip(names, row, strict=True)}
        for row in zip(*columns, strict=True)
    ]


def _compared_plain(groups: dict[str, Lives]) -> dict[str, Any]:
    if not groups:
        none = "the file has no column of groups"
        return {"logrank": None, "logrank_reason": none, "likelihood_ratio": None}
    found: dict[str, Any] = {}
    compared = compare(groups)
    try:
        test = logrank(groups)
        if isinstance(compared, Compared) and compared.logrank:
            test = compared.logrank
        found["logrank"] = _test_plain(test)
    except FitRefusedError as refused:
        found |= {"logrank": None, "logrank_reason": str(refused)}
    if isinstance(compared, Compared):
        ratio = compared.likelihood_ratio
        found["likelihood_ratio"] = _test_plain(ratio) if ratio else None
        found["compared"] = compared.words
    else:
        found |= {"likelihood_ratio": None, "compared": f"{compared.reason}: {compared.mend}"}
    return found


def _test_plain(test: LogRank) -> dict[str, Any]:
    return {
        "chi2": test.chi2,
        "df": test.df,
        "p": test.p,
        "p_permuted": test.p_permuted,
        "way": test.way,
    }


def _shown(value: float | None, none: str = "can't be told") -> str:
    return none if value is None else f"{value:.4g}"


def _shown_by(found: dict[str, Any], asked: str | None) -> tuple[str, str]:
    """Return which ranges a person gets, and what they are by."""
    few = found["ends"] < CURVATURE_FROM
    if found["profile_intervals"] and (asked == "likelihood" or (few and asked is None)):
        return "profile_intervals", "the likelihood"
    return "intervals", "its curvature"


def _print(file: str, found: dict[str, Any], asked: str | None) -> None:
    out = console()
    head = f"{file}: {found['lives']:g} lives, {found['ends']:g} ended"
    if found["shape"] is None:
        out.print(f"{head}. No fit: {found['reason']}. {found['mend']}.", markup=False)
    else:
        key, by = _shown_by(found, asked)
        table = Table(title=head, title_justify="left")
        table.add_column("Weibull fit", overflow="fold")
        table.add_column("", justify="right")
        table.add_column(f"{100 * found['level']:g} % range", justify="right")
        for name, words in _NAMES.items():
            low, high = found[key][name]
            range_ = f"{_shown(low)} – {_shown(high, 'no bound')}"
            table.add_row(words, f"{found[name]:.4g}", range_)
        table.add_row("Mean", _shown(found["mean"]), "")
        out.print(table, markup=False)
        out.print(f"Log-likelihood {found['loglik']:.6g}. Ranges by {by}.", markup=False)
        if found["note"] and not (key == "profile_intervals" and found["note"] == NARROW):
            out.print(f"Mind: {found['note']}.", markup=False)
    _print_curve(found)
    _print_groups(found, asked)


def _print_curve(found: dict[str, Any]) -> None:
    out = console()
    if found["kaplan_meier"]:
        steps = found["kaplan_meier"]
        table = Table(title="Share that outlives a life (Kaplan–Meier)", title_justify="left")
        for name in ("Life", "at risk", "ended", "outlive", "range"):
            table.add_column(name, justify="right")
        for s in steps[:_SHOWN]:
            range_ = f"{_shown(s['low'])} – {_shown(s['high'])}" if s["low"] is not None else "–"
            row = [f"{s['time']:g}", f"{s['at_risk']:g}", f"{s['ended']:g}"]
            table.add_row(*row, f"{s['survival']:.4f}", range_)
        rest = len(steps) - _SHOWN
    elif found["turnbull"]:
        masses = found["turnbull"]
        table = Table(title="Share that ended within (Turnbull)", title_justify="left")
        for name in ("after", "up to", "share"):
            table.add_column(name, justify="right")
        for m in masses[:_SHOWN]:
            to = _shown(m["to"], "still running")
            table.add_row(f"{m['from']:.4g}", to, f"{m['mass']:.4f}")
        rest = len(masses) - _SHOWN
    else:
        return
    out.print(table, markup=False)
    if rest > 0:
        out.print(f"… and {rest} rows more: see --json.", markup=False)


def _print_groups(found: dict[str, Any], asked: str | None) -> None:
    if not found["groups"]:
        return
    out = console()
    table = Table(title="Groups", title_justify="left")
    table.add_column("Group", overflow="fold")
    for name in ("lives", "ended", "shape", "half have ended by", "range"):
        table.add_column(name, justify="right", overflow="fold")
    for name, own in found["groups"].items():
        row = [name, f"{own['lives']:g}", f"{own['ends']:g}"]
        if own["shape"] is None:
            table.add_row(*row, "no fit", own["reason"], "")
            continue
        low, high = own[_shown_by(own, asked)[0]]["b50"]
        range_ = f"{_shown(low)} – {_shown(high, 'no bound')}"
        table.add_row(*row, f"{own['shape']:.4g}", f"{own['b50']:.4g}", range_)
    out.print(table, markup=False)
    out.print(found["compared"], markup=False)
    for key, words in (("logrank", "Log-rank"), ("likelihood_ratio", "Likelihood ratio")):
        test = found[key]
        if test:
            said = f"{words}: χ² {test['chi2']:.3f}, {test['df']} degrees of freedom"
            said += f", {p_words(test['p'])} by luck"
            if test["p_permuted"] is not None:
                said += f"; {p_words(test['p_permuted'])} by dealing the groups again (few ends)"
            out.print(f"{said}.", markup=False)
    if found.get("logrank_reason"):
        out.print(f"No log-rank test: {found['logrank_reason']}.", markup=False)
