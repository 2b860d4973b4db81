"""A signed inspection's record as the words a document prints: numbers written out, no layout."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from collections.abc import Sequence
from typing import Any

from pitwise.measure.depth import MM_PER_UNIT

from .drawing import ACTION_WORDS

Plain = dict[str, Any]
#: Coverage factor of the uncertainty printed with a mean.
COVERAGE = 2
_STATES = {
    "release": "Wear parts released: keep every part",
    "work": "Work on the set",
    "incomplete": "Incomplete: wear parts not released",
}
_ORDER = ("replace", "clean", "recheck", "not-looked", "keep")
CHANCE = (
    "A chance of being over the limit is worked out from the reading and its uncertainty alone, "
    "taking the uncertainty as normally distributed (JCGM 106:2012). No forecast of wear is in it. "
    "It says nothing of slips in reading, of other defects, or of how the part will wear from here."
)


class Times:
    """Writes moments in one time zone.

    Parameters
    ----------
    timezone : str
        "UTC", or a name of the IANA time zone database.

    Raises
    ------
    ValueError
        The zone is not known on this machine.
    """

    def __init__(self, timezone: str) -> None:
        self.zone: dt.tzinfo = dt.UTC
        if timezone != "UTC":
            try:
                self.zone = zoneinfo.ZoneInfo(timezone)
            except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError) as error:
                raise ValueError(
                    f"timezone {timezone!r} is not known; use UTC or a name like Europe/Berlin"
                ) from error

    def moment(self, text: str) -> dt.datetime:
        """Return an ISO moment of a record in this zone; one without offset is UTC."""
        at = dt.datetime.fromisoformat(text)
        return (at if at.tzinfo else at.replace(tzinfo=dt.UTC)).astimezone(self.zone)

    def words(self, text: str | None) -> str:
        """Return an ISO moment as '2026-03-02 06:10 UTC', or a dash."""
        if not text:
            return "–"
        at = self.moment(text)
        return f"{at:%Y-%m-%d %H:%M} {at.tzname()}"


def join(words: Sequence[str]) -> str:
    """Join words with commas."""
    return ", ".join(words)


def number(value: float | None, digits: int = 1) -> str:
    """Return a number with thousands parted by a thin space, or a dash for None."""
    if value is None:
        return "–"
    text = f"{value:,.{digits}f}"
    if digits:
        text = text.rstrip("0").rstrip(".")
    return text.replace(",", "\u2009")


def chance(p: float | None) -> str:
    """Return a probability in per cent, without claiming 0 or 100."""
    if p is None:
        return "unknown: no uncertainty is known for this gauge"
    percent = 100 * p
    if percent < 0.1:
        return "less than 0.1 %"
    if percent > 99.9:
        return "more than 99.9 %"
    return f"{percent:.1f} %"


def _by(name: str | None) -> str:
    return name or "somebody not on record"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def outcome(record: Plain) -> tuple[str, list[str]]:
    """Return the set's outcome in words, and one line for each action that parts got."""
    lines = []
    for action in _ORDER:
        names = [p["name"].lower() for p in record["parts"] if p["action"] == action]
        if not names or (action == "keep" and record["set"] == "release"):
            continue
        lines.append(f"{_capital(ACTION_WORDS[action])}: {join(names)}.")
    return _STATES[record["set"]], lines


def _mean(part: Plain, gauge: Plain) -> str:
    reading = part["reading"]
    unit, n = reading["unit"], reading["readings"]
    per = float(MM_PER_UNIT[unit])
    digits = {"mm": 3, "thou": 1, "in": 4}[unit]
    text = f"{reading['mean']:.{digits}f} {unit}"
    u = reading["u_mean_mm"]
    if u is None:
        return f"{text} (n = {n}; uncertainty not known)"
    wide = COVERAGE * u / per
    also = "" if unit == "mm" else f"; {reading['mean'] * per:.3f} mm ± {COVERAGE * u:.3f} mm"
    source = f": {gauge['source']}" if gauge.get("source") else ""
    return (
        f"{text} ± {wide:.{digits}f} {unit} (k = {COVERAGE}, n = {n}{also}). "
        f"One reading: u = {number(gauge['u_mm'], 4)} mm{source}."
    )


def _limit(part: Plain) -> str:
    limit = part["limit"]
    side = "at or above" if limit["compare"] == ">=" else "above"
    return (
        f"Replace {side} {limit['quoted']}, for {limit['process']}. "
        f"Source: {limit['source']}; in force since {limit['since']}."
    )


def _pit(part: Plain, record: Plain, times: Times) -> list[list[str]]:
    rows = []
    for i, r in enumerate(part["readings"], 1):
        typed = r["text"] if r["unit"] in r["text"] else f"{r['text']} ({r['value']} {r['unit']})"
        mm = "" if r["unit"] == "mm" else f" = {number(r['mm'], 3)} mm"
        rows.append([f"Reading {i}", f"{typed}{mm}, {_by(r['by'])}, {times.words(r['at'])}"])
    if part["reading"]:
        rows.append(["Mean", _mean(part, record["gauge"])])
    if part["limit"]:
        rows.append(["Limit", _limit(part)])
    if part["reading"] and part["limit"]:
        risk = number(100 * record["accepted_risk"])
        rows.append(["Chance over", f"{chance(part['p_over_limit'])}; up to {risk} % is accepted."])
    return rows


def _length(row: Plain | None) -> str:
    if not row:
        return "–"
    text = f"{row['value']:.3f} mm"
    return text if row.get("u") is None else f"{text} ± {_small(COVERAGE * row['u'])}"


def _small(length_mm: float) -> str:
    # A range of nothing is no claim anyone believes.
    return "under 0.001 mm" if length_mm < 0.001 else f"{length_mm:.3f} mm"


def _photo(measure: Plain, times: Times) -> Plain:
    """One photo's result: numbers or the refusal, and the hash its picture is known by."""
    result = measure["result"]
    refused = result["refused"]
    at = f"{_by(measure['by'])}, {times.words(measure['at'])}"
    if refused:
        rows = [["Not measured", f"{refused['text']}. {refused['mend']}."]]
    else:
        rows = [["Diameter", _length(result["diameter_mm"])]]
        if result["feature"] != "pit":
            round_ = result["roundness_mm"]
            words = (
                "not known: a stretch of the edge is not seen"
                if round_["value"] is None
                else f"{_length(round_)}; noise floor {_small(round_['noise_floor'])}"
            )
            rows.append(["Out of round", words])
        rows.append(["Off centre", _length(result["off_centre_mm"])])
        if result["feature"] != "pit":
            nicks = [
                f"{n['depth_mm']:.3f} mm deep, {n['width_mm']:.3f} mm wide at {n['angle_deg']:.0f}°"
                for n in result["nicks"] or []
            ]
            none = (
                "not known" if result["nicks"] is None else "none found in the edge that was seen"
            )
            rows.append(["Nicks", "; ".join(nicks) or none])
        if result.get("rim_mm") and result.get("scale_from") != "card":
            since = ", changed before signing: does not count" if measure.get("other_rim") else ""
            rows.append(["Rim used", f"{result['rim_mm']:g} mm{since}"])
    kind = "Rendered picture, not a photo: " if measure.get("rendered") else ""
    rows.append(["Photo", f"{kind}{measure['photo']['sha256'][:16]}, {at}"])
    return {"picture": result.get("picture_sha256") or "", "rows": rows}


def _holes(part: Plain) -> list[list[str]]:
    """What all photos of a part gave together, with its limit."""
    rows = []
    for hole in part.get("holes", []):
        text = (
            f"not known: {hole['not_known']} (at least {hole['at_least_mm']:.3f} mm)"
            if hole.get("not_known")
            else _length({"value": hole["value_mm"], "u": hole["u_mm"]})
        )
        if hole["photos"] > 1:
            text += f" from {hole['photos']} photos"
        limit = hole["limit"]
        if limit is not None:
            side = "at or above" if limit["compare"] == ">=" else "above"
            text += (
                f". Limit: replace {side} {limit['quoted']}, for {limit['process']} "
                f"({limit['source']}). Chance over: {chance(hole['p_over_limit'])}"
            )
        rows.append([_capital(hole["name"]), f"{text}."])
    return rows


def _looked(part: Plain) -> str:
    if part["looked"]:
        return f"Looked over by {_by(part['looked_by'])}."
    if part["absent"]:
        names = join([a.replace("-", " ") for a in part["absent"]])
        return f"Not looked over. Looked for and not there: {names}."
    return "Not looked over."


def _life(item: Plain) -> str:
    if item["life_starts"] is None and item["life_minutes"] is None:
        return "life not known"
    return f"{number(item['life_starts'], 0)} starts, {number(item['life_minutes'])} arc min"


def _part(part: Plain, record: Plain, times: Times) -> Plain:
    item, new, over = part["item"], part["new_item"], part["overrule"]
    under = []
    if item is None:
        under.append("No part of the book was fitted.")
    else:
        lot = f", lot {item['lot']}" if item["lot"] else ""
        under += [f"{item['tag']}, {item['type']}{lot}", _life(item)]
    if part["lost_in_the_cut"]:
        under.append("Lost in the cut")
    went_in = f"Went in: {new['tag']}, {new['type']}" if new else ""
    if part["action"] == "replace" and not new:
        went_in = "What went in is not in the book."
    overrule = None
    if over is not None:
        overrule = {
            "head": f"Overruled by {_by(over['by'])}: {ACTION_WORDS[over['action']]} "
            f"instead of {ACTION_WORDS[over['over']]}",
            "why": over["reason"],
            "at": times.words(over["at"]),
        }
    pit = _pit(part, record, times)
    photos = [_photo(m, times) for m in part.get("measures", [])]
    holes = _holes(part)
    typed = [r["text"] for r in part["because"]] + ([over["reason"]] if over else [])
    # Lines on the page, near enough: a page holds some sixty.
    lines = len(part["seen"]) + 2 * (len(pit) + len(holes)) + 9 * len(photos)
    lines += sum(2 + len(text) // 60 for text in typed)
    return {
        "action": part["action"],
        "long": lines > 35,
        "word": _capital(ACTION_WORDS[part["action"]]),
        "name": f"{part['order']}  {part['name']}",
        "under": under,
        "went_in": went_in,
        "looked": _looked(part),
        "seen": [
            {
                "name": s["name"],
                "rest": f"{_by(s['by'])}, {times.words(s['at'])}",
            }
            for s in part["seen"]
        ],
        "pit": pit,
        "holes": holes,
        "photos": photos,
        "reasons": [
            {
                "action": _capital(ACTION_WORDS[r["action"]]),
                "text": r["text"],
                "source": r["source"],
            }
            for r in part["because"]
        ],
        "overrule": overrule,
    }


def _process(process: Plain) -> str:
    more = []
    if process["amps"] is not None:
        more.append(f"{number(process['amps'])} A")
    more += [process[key] for key in ("material",) if process[key]]
    if process["plasma_gas"]:
        more.append(f"plasma gas {process['plasma_gas']}")
    if process["shield_gas"]:
        more.append(f"shield gas {process['shield_gas']}")
    return join(more)


def _counters(record: Plain) -> list[list[str]]:
    c = record["counters"]
    out = [
        ["Starts", f"{number(c['starts'], 0)} on the counter, {number(c['total_starts'], 0)} "
         "since the torch came into the book"],
        ["Arc minutes", f"{number(c['arc_minutes'])} on the counter, {number(c['total_minutes'])} "
         "since the torch came into the book"],
    ]  # fmt: skip
    if c["reset"]:
        out.append(["Reset", "The counter was reset before this inspection."])
    return out


def _question(q: Plain, names: dict[str, str], times: Times) -> Plain:
    where = f"{names.get(q['part'], q['part'])}: " if q["part"] else ""
    if q["answered_by"]:
        answer = f"Answered 'it is so' by {q['answered_by']}, {times.words(q['answered_at'])}"
    elif q["question"]:
        answer = "Not answered"
    else:
        answer = "For information"
    return {"text": where + q["text"], "answer": answer}


def view(record: Plain, record_sha256: str, *, superseded_by: int | None, timezone: str) -> Plain:
    """Return a record as the words its document prints.

    Parameters
    ----------
    record : dict
        A signed inspection's record, as ``services.signing`` makes it.
    record_sha256 : str
        Its hash, in hex.
    superseded_by : int or None
        Number of the record that took its place.
    timezone : str
        Zone that moments are written in.

    Returns
    -------
    dict
        Strings, lists and dicts of strings, and ``signed_at``, whole seconds UTC as six numbers.
    """
    times = Times(timezone)
    signed = record["signed"]
    state, lines = outcome(record)
    names = {p["part"]: p["name"] for p in record["parts"]}
    cautions = record["cautions"]
    title = f"Inspection record {record['inspection']}"
    corrects = ""
    if record["supersedes"] is not None:
        reason = record["correction_reason"] or "no reason on record"
        corrects = f"Corrects record {record['supersedes']}: {reason}"
        if "happened_at" in record:
            # Records of older versions do not say it: their parts moved when they were signed.
            corrects += f" (of the look at the torch on {times.words(record['happened_at'])})"
    coolant = record["station"]["coolant"]
    gauge = record["gauge"]
    u = "not known" if gauge["u_mm"] is None else f"{number(gauge['u_mm'], 4)} mm"
    at = dt.datetime.fromisoformat(signed["at"])
    at = (at if at.tzinfo else at.replace(tzinfo=dt.UTC)).astimezone(dt.UTC)
    return {
        "title": title,
        "author": _by(signed["by"]),
        "signed_at": [at.year, at.month, at.day, at.hour, at.minute, at.second],
        "superseded": ""
        if superseded_by is None
        else f"Superseded by record {superseded_by}. This one is kept as it was signed.",
        "corrects": corrects,
        "outcome": {"state": state, "lines": lines},
        "facts": [
            ["Torch", record["torch"]["name"], ""],
            ["Station", record["station"]["name"], f"Coolant: {coolant or 'not on record'}"],
            ["Process", record["process"]["name"], _process(record["process"])],
            ["Signed by", _by(signed["by"]), f"{signed['role']}, {times.words(signed['at'])}"],
            [
                "Opened by",
                _by(record["opened"]["by"]),
                times.words(record["opened"]["at"]),
            ],
            ["Gauge", gauge["name"], f"Standard uncertainty {u}"],
        ],
        "parts": [_part(p, record, times) for p in record["parts"]],
        "questions": [_question(q, names, times) for q in record["questions"]],
        "counters": _counters(record),
        "cautions": {
            "by": f"Confirmed by {_by(cautions['by'])}, {times.words(cautions['at'])}."
            if cautions["at"]
            else "Not confirmed.",
            "texts": [c["text"] for c in cautions["texts"]],
        },
        "note": record["note"] or "",
        "chance": CHANCE,
        "proof": [
            ["Record", record_sha256],
            ["Trade sheet", record["sheet"]["sha256"]],
            ["Sheet version", record["sheet"]["version"]],
            ["Book", record["book"]],
            ["Software", f"Pitwise {record['software']}"],
        ],
        "foot": f"{title}, {record_sha256[:12]}",
    }
