"""A cause case as the words its sheet prints: numbers written out, no layout."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable

from pitwise.causes.diagnosis import Told
from pitwise.job.words import percent

from .record_view import Plain, Times, number

SHOWN = 8
STATES = {
    "seen": "seen",
    "absent": "not there",
    "slight": "seen, slight",
    "much": "seen, much",
    "reading": "by a reading",
    "none": "not looked at",
}
CERTAIN = {
    "verified": "Verified: seen or measured to be so",
    "went-away": "Only went away after the remedy: not verified",
}
VERDICTS = {
    "better": "Better since the cure",
    "worse": "Worse since the cure",
    "no-difference": "No difference shown since the cure",
    "too-early": "Too early to tell",
}
COMPARED = {"life": "Electrodes used up per start", "wear": "Growth of the pit with use"}
SHORT = {
    "better": "better",
    "worse": "worse",
    "no-difference": "no difference shown",
    "too-early": "too early to tell",
}
_WHO = {"technician": "technician", "lead": "lead", "electrician": "qualified electrician only"}
HONEST = (
    "Chances are estimates out of the numbers of the trade sheet and of this shop's verified "
    "cases; a range holds the chance in 90 % of cases by what those numbers rest on. What was "
    "not looked at counts neither for nor against. Look before you cut."
)


NO_RANKING = "no-ranking"
# A fact that moves the odds of a cause by less than this says nothing worth reading.
LEAST_FACTOR = 1.1
# Odds at which a figure is said to be so rather than to lean: those learning asks for.
SURE_FACTOR = 4.0
SIDE = 5
_BY = {
    "reading": "by a reading",
    "forecast": "by the wear forecast",
    "lives": "by the lives in the book",
}


def leaning(log_ratio: float) -> str:
    """Say what a figure tells of a finding, before the figure itself.

    Parameters
    ----------
    log_ratio : float
        Natural log of how much likelier the figure is with the finding there.
    """
    strength = abs(log_ratio)
    if strength < math.log(LEAST_FACTOR):
        return "tells neither way"
    if strength < math.log(SURE_FACTOR):
        return "leans to yes" if log_ratio > 0 else "leans to no"
    return "so" if log_ratio > 0 else "not so"


def held_words(state: str, words: str, log_ratio: float | None) -> str:
    """Say what is held of a finding: the verdict first, then the figures it stands on."""
    if log_ratio is None:
        return words or STATES[state]
    return f"{leaning(log_ratio)}: {words}" if words else leaning(log_ratio)


def told_words(state: str, origin: str | None, log_ratio: float | None) -> str:
    """Say in what state a fact that moves a cause is; `origin` as in an evidence line."""
    if state != "reading" or log_ratio is None:
        return STATES.get(state, state)
    return f"{leaning(log_ratio)}, {_BY.get(origin or '', 'by a figure')}"


def shift_words(shift: float) -> str:
    """Say how much a fact moves a cause: its odds, as a factor.

    Parameters
    ----------
    shift : float
        Change of the log-odds (natural log).
    """
    factor = math.exp(min(abs(shift), 50.0))
    if factor < LEAST_FACTOR:
        return "hardly moves it"
    times = f"{factor:.1f}" if factor < 9.95 else f"{factor:.0f}" if factor < 1000 else "over 1000"
    return f"odds {'×' if shift > 0 else '÷'} {times}"


def moves(shift: float) -> bool:
    """Tell whether a fact moves a cause enough to be read."""
    return abs(shift) >= math.log(LEAST_FACTOR)


def moving(told: Iterable[Told]) -> list[Told]:
    """Return the facts that move a cause at all, the strongest first."""
    return sorted((t for t in told if moves(t.shift)), key=lambda t: -abs(t.shift))


def _range(c: Plain) -> str:
    return f"{percent(c['p'])} (range {percent(c['low'])} to {percent(c['high'])})"


def _told(rows: list[Plain], held: dict[str, Plain]) -> str:
    """Write the five facts that move a cause most, and how many more there are."""
    own = sorted((t for t in rows if moves(t["shift"])), key=lambda t: -abs(t["shift"]))
    said = []
    for t in own[:SIDE]:
        e = held.get(t["symptom"], {})
        state = told_words(t["state"], e.get("origin"), e.get("log_ratio"))
        said.append(f"{t['text']} ({state}; {shift_words(t['shift'])})")
    if len(own) > SIDE:
        said.append(f"and {len(own) - SIDE} more that move it less")
    return "; ".join(said)


def _cause(c: Plain, held: dict[str, Plain]) -> Plain:
    word = c["word"][:1].upper() + c["word"][1:]
    return {
        "name": c["name"],
        "words": f"{word}, {_range(c)}",
        "base": f"before anything is looked at: {percent(c['base'])}",
        "for": _told(c["for_"], held),
        "against": _told(c["against"], held),
    }


def _work(w: Plain) -> str:
    isolated = "supply isolated and locked out" if w["isolated"] else "supply not isolated"
    return f"{number(w['minutes'])} min, {_WHO[w['who']]}, {isolated}. {w['caution']}".strip()


def _next(case: Plain) -> Plain | None:
    """Return the step the case stands at, in words; None once it is not open."""
    step = case["diagnosis"]["step"]
    if case["state"] != "open":
        return None
    if step["do"] == "check":
        rows = {c["id"]: c for c in case["checks"]}
        if step["id"] in rows:
            row = rows[step["id"]]
            return {"head": f"Check: {row['name']}", "work": _work(row), "why": step["why"]}
    if step["do"] == "try":
        rows = {r["id"]: r for r in case["remedies"]}
        if step["id"] in rows:
            row = rows[step["id"]]
            return {
                "head": f"Try the remedy: {row['text']}",
                "work": _work(row),
                "why": step["why"],
            }
    if step["do"] == "answer":
        asks = [a for a in case["asks"] if a["id"] == step["id"]]
        head = asks[0]["text"] if asks else "A contradiction is to be answered"
        mind = asks[0]["caution"] if asks else ""
        return {"head": f"Answer first: {head}", "work": mind, "why": step["why"]}
    many = any(f["code"] == NO_RANKING for f in case["diagnosis"]["flags"])
    head = "Too much at once to rank" if many else "No check left that would tell more"
    return {"head": head, "work": "", "why": step["why"]}


def _closing(case: Plain, times: Times) -> Plain | None:
    c = case["closing"]
    if c is None:
        return None
    lines = [f"Done: {r['text']} ({_work(r)})" for r in c["remedies"]]
    if c["remedy_text"]:
        lines.append(f"Done: {c['remedy_text']}")
    if c["done_by"]:
        lines.append(f"Done by {c['done_by']}.")
    lines.append(f"Closed by {c['by']}, {times.words(c['at'])}.")
    if c["amended_at"]:
        lines.append(
            f"Amended by {c['amended_by']}, {times.words(c['amended_at'])}: {c['amend_reason']}"
        )
    if c["cured_at"] and c["cured_at"] != c["at"]:
        lines.append(
            f"First closed {times.words(c['cured_at'])}; before and after are told from then."
        )
    if c["came_back_at"]:
        lines.append(
            f"Came back, by {c['came_back_by']}, {times.words(c['came_back_at'])}: "
            f"{c['came_back_note']}"
        )
    if case["did_not_hold"]:
        lines.append(f"The cure did not hold. {case['did_not_hold']}")
    return {
        "head": " and ".join(x["name"] for x in c["causes"]),
        "certainty": CERTAIN[c["certainty"]],
        "lines": lines,
        "note": c["note"],
    }


def _cure(case: Plain) -> Plain | None:
    cure = case["cure"]
    if cure is None:
        return None
    rows = []
    for name, key, digits in (
        ("Electrodes used up", "ended", 0),
        ("of these lost in the cut", "lost", 0),
        ("Starts in all", "starts", 0),
        ("Pit growth, mm in 500 starts", "rate_mm_per_500", 2),
    ):
        rows.append([name, number(cure["before"][key], digits), number(cure["after"][key], digits)])
    return {
        "verdict": VERDICTS[cure["verdict"]],
        "lines": [cure["life"]["words"], cure["wear"]["words"]],
        "rows": rows,
    }


def _moments(case: Plain) -> list[str]:
    """Return every moment in a case: the newest dates its sheet."""
    closing = case["closing"] or {}
    found = [
        case["opened_at"],
        *(e["at"] for e in case["evidence"]),
        *(r["at"] for r in case["recorded"]),
        *(a["at"] for a in case["asks"]),
        *(t["at"] for t in case["tried"]),
        closing.get("at"),
        closing.get("came_back_at"),
        closing.get("amended_at"),
    ]
    return [m for m in found if m]


def _clear(line: Plain) -> bool:
    """Tell whether a line says no more than that something was not there."""
    return line["state"] == "absent" and line["log_ratio"] is None


def _clear_rows(case: Plain, times: Times) -> dict[str, dict[str, list[str]]]:
    """Return what was looked at and not there: by source, then by place."""
    out: dict[str, dict[str, list[str]]] = {}
    for e in filter(_clear, case["evidence"]):
        source = f"{e['origin_words']}, {e['by'] or '–'}, {times.words(e['at'])}"
        name = str(case["places"].get(e["where"], e["where"]))
        out.setdefault(source, {}).setdefault(name, []).append(e["text"])
    return out


def _together(names: list[str]) -> str:
    text = " and ".join(n.lower() for n in names) or "nothing out of the usual"
    return text[:1].upper() + text[1:]


def view(case: Plain, *, timezone: str) -> Plain:
    """Return a case as the words its sheet prints.

    Parameters
    ----------
    case : dict
        Plain rows, as ``services.case_sheet.plain_case`` gives them.
    timezone : str
        Zone that moments are written in.

    Returns
    -------
    dict
        Strings, lists and dicts of strings, and ``dated``, whole seconds UTC as six numbers.
    """
    times = Times(timezone)
    diagnosis = case["diagnosis"]
    names = {c["id"]: c["name"] for c in diagnosis["causes"]}
    dated = max(dt.datetime.fromisoformat(m).astimezone(dt.UTC) for m in _moments(case))
    title = f"Cause case {case['id']}: {case['torch']}"
    places = case["places"]
    held = {e["symptom"]: e for e in case["evidence"]}

    def place(where: str) -> str:
        return str(places.get(where, where))

    dark: dict[str, list[str]] = {}
    for n in case["not_looked"]:
        dark.setdefault(place(n["where"]), []).append(n["text"])
    return {
        "title": title,
        "author": (case["closing"] or {}).get("by") or case["opened_by"],
        "dated": [dated.year, dated.month, dated.day, dated.hour, dated.minute, dated.second],
        "state": {"open": "Open", "closed": "Closed", "discarded": "Given up"}[case["state"]],
        "facts": [
            ["Torch", case["torch"], f"on {case['station']}"],
            ["Process", case["process"], f"Coolant: {case['coolant'] or 'not on record'}"],
            ["Opened by", case["opened_by"], times.words(case["opened_at"])],
        ],
        "after": f"Opened after inspection {case['after_inspection']}."
        if case["after_inspection"]
        else "",
        "complaint": case["complaint"],
        "note": case["note"],
        "closing": _closing(case, times),
        "cure": _cure(case),
        "next": _next(case),
        "ranked_head": {
            "open": "Likeliest causes now",
            "closed": "Causes as they stood when it was closed",
            "discarded": "Causes as they stood when it was given up",
        }[case["state"]],
        "causes": [_cause(c, held) for c in diagnosis["causes"][:SHOWN]],
        "others": "; ".join(f"{c['name']} {percent(c['p'])}" for c in diagnosis["causes"][SHOWN:]),
        "sets": [
            [
                _together([names.get(i, i) for i in e["causes"]]),
                percent(e["p"]),
            ]
            for e in diagnosis["explanations"]
        ],
        "evidence": [
            [
                place(e["where"]),
                e["text"],
                held_words(e["state"], e["words"], e["log_ratio"]),
                f"{e['origin_words']}, {e['by'] or '–'}, {times.words(e['at'])}",
            ]
            for e in case["evidence"]
            if not _clear(e)
        ],
        "clear": [
            {"from": source, "rows": [[name, "; ".join(texts)] for name, texts in rows.items()]}
            for source, rows in _clear_rows(case, times).items()
        ],
        "checks": [
            [
                r["name"],
                "; ".join(f"{text}: {STATES.get(state, state)}" for text, state in r["results"])
                or "nothing noted",
                f"{r['done_by'] or r['by']}, {times.words(r['at'])}",
            ]
            for r in case["recorded"]
        ],
        "tried": [
            [t["text"], t["cause_name"], f"{t['done_by'] or t['by']}, {times.words(t['at'])}"]
            for t in case["tried"]
        ],
        "answers": [
            [a["text"], f"{a['answered']} ({a['by']}, {times.words(a['at'])})"]
            if a["answered"]
            else [a["text"], "Not answered"]
            for a in case["asks"]
        ],
        "dark": [[name, "; ".join(texts)] for name, texts in dark.items()],
        "cautions": case["cautions"],
        "honest": HONEST,
        "proof": [
            ["Trade sheet", case["sheet_sha256"]],
            ["Sheet version", case["sheet_version"]],
            ["Shop's cases", f"{case['learnt_from']} verified cases in the numbers"],
            ["Software", f"Pitwise {case['software']}"],
        ],
        "foot": f"{title}, {times.words(dated.isoformat())}",
    }
