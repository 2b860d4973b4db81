"""What lies ahead of a torch, or of a queue that several share."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import RedirectResponse, Response
from markupsafe import Markup

from pitwise.job.outlook import (
    Band,
)
from pitwise.job.words import percent
from pitwise.reports.charts import LimitLine, PlateRun, ahead_chart, svg_of
from pitwise.services import ahead_page as pages
from pitwise.services.ahead import AheadView
from pitwise.services.permissions import Actor
from pitwise.web.access import needs, shop_of
from pitwise.web.render import is_htmx, page

router = APIRouter()
Viewer = Annotated[Actor, Depends(needs("view"))]
Texts = Annotated[list[str] | None, Query()]
WIDTHS = {"wide": 1100, "narrow": 350, "paper": 690}
_MOST_TYPED = 12


def address(torches: Sequence[str], lines: Sequence[tuple[str, str]], find: str = "") -> str:
    """Return the address that asks for torches and plates; what it can't hold is left out."""
    pairs = [("torch", t[:20]) for t in torches[: pages.MOST_TORCHES]]
    for program, times in lines[: pages.MOST_LINES]:
        pairs += [("p", program[:20]), ("n", times.strip()[:_MOST_TYPED])]
    if find:
        pairs.append(("find", find))
    return "/ahead" + ("?" + urlencode(pairs) if pairs else "")


def _stepped(typed: str, step: int) -> str:
    """Return a number of plates one more or less; what is no number starts again at 1."""
    number = int(typed) if typed.isascii() and typed.isdigit() and len(typed) < 7 else 0
    return str(min(max(number + step, 1), pages.MOST_PLATES))


def worked(lines: Sequence[tuple[str, str]], do: str, add: str) -> list[tuple[str, str]]:
    """Return the lines after a button: ``more``, ``fewer``, ``up``, ``down``, ``off`` of a line.

    Parameters
    ----------
    lines : sequence of (str, str)
        Program id and how many plates.
    do : str
        ``more:0`` for the first line; what can't be is no touch.
    add : str
        A program to add at the end; may be empty.
    """
    out = list(lines)
    deed, _, place = do.partition(":")
    if place.isascii() and place.isdigit() and len(place) < 4 and int(place) < len(out):
        k = int(place)
        program, times = out[k]
        if deed in ("more", "fewer"):
            out[k] = (program, _stepped(times.strip(), 1 if deed == "more" else -1))
        elif deed == "off":
            del out[k]
        elif deed in ("up", "down"):
            other = k + (1 if deed == "down" else -1)
            if 0 <= other < len(out):
                out[k], out[other] = out[other], out[k]
    if add:
        out.append((add, "1"))
    return out


def _limit_line(view: AheadView) -> LimitLine:
    return LimitLine(view.limit_mm, view.limit.compare, view.limit.quoted())


def _picture(view: AheadView, runs: Sequence[pages.Run], width: int) -> Markup:
    now = Band(view.depth_now_low_mm, view.depth_now_mm, view.depth_now_high_mm)
    spec = ahead_chart(
        view.outlook,
        now,
        _limit_line(view),
        [PlateRun(r.name, r.times) for r in runs],
        width=width,
    )
    return Markup(svg_of(spec))  # noqa: S704 -- our own SVG, text escaped in it


def _alone(row: pages.QueueRow) -> str:
    """Return the address of one torch's share of a queue; empty where it can't hold it."""
    if not row.runs or len(row.runs) > pages.MOST_LINES:
        return ""
    return address([str(row.torch.id)], [(str(r.program_id), str(r.times)) for r in row.runs])


@router.get("/ahead")
def ahead(
    request: Request,
    actor: Viewer,
    torch: Texts = None,
    p: Texts = None,
    n: Texts = None,
    do: str = "",
    add: str = "",
    find: str = "",
) -> Response:
    """Show what lies ahead; everything asked for stands in the address."""
    programs, times = p or [], n or []
    lines = [(x, times[k] if k < len(times) else "1") for k, x in enumerate(programs)]
    asked = address(torch or [], worked(lines, do, add), find.strip()[:80])
    if (do or add) and not is_htmx(request):
        return RedirectResponse(asked, 303)
    wanted = worked(lines, do, add)
    view = pages.ahead_page(shop_of(request), actor, torch or [], wanted, find=find)
    # Ids follow a line when it moves, so that the finger stays on its button.
    seen: dict[int | None, int] = {}
    keys = []
    for line in view.lines:
        seen[line.program_id] = seen.get(line.program_id, 0) + 1
        keys.append(f"{line.program_id or 'none'}-{seen[line.program_id]}")
    answer = page(
        request,
        "ahead_body.html" if is_htmx(request) else "ahead.html",
        actor,
        view=view,
        keys=keys,
        asked=asked,
        find=find.strip()[:80],
        charts={name: _picture(view.view, view.runs, width) for name, width in WIDTHS.items()}
        if view.view
        else {},
        limit_words=_limit_line(view.view).words if view.view else "",
        alone=_alone,
        chance=percent,
        cautions=shop_of(request).base.cautions,
        now=shop_of(request).clock(),
        most=pages.MOST_PLATES,
        offered=pages.OFFERED,
    )
    if is_htmx(request):
        answer.headers["HX-Push-Url"] = asked
    return answer
