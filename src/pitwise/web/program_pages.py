"""Cut programs, bringing files in, and a station's settings."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Form, Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response
from starlette.datastructures import FormData, UploadFile
from starlette.requests import ClientDisconnect

from pitwise.services import programs, station_settings
from pitwise.services.errors import BookError, ServiceError
from pitwise.services.fields import whole_number
from pitwise.services.file_text import clean_name
from pitwise.services.imports import LARGEST_FILE, ImportOutcome, import_file
from pitwise.services.permissions import Actor
from pitwise.services.zone import named_zone
from pitwise.web.access import FilterId, Id, PageNumber, needs, shop_of
from pitwise.web.render import go, page
from pitwise.web.security import LARGER_BODY

router = APIRouter()
Viewer = Annotated[Actor, Depends(needs("view"))]
Importer = Annotated[Actor, Depends(needs("import-files"))]
SettingsEditor = Annotated[Actor, Depends(needs("station-settings"))]
Text = Annotated[str, Form()]
IMPORT = "/programs/import"
_MOST_FILES = 40
KIND_WORDS = {
    "program": "cut program",
    "dxf": "drawing (DXF)",
    "plates": "line of a list of plates",
    "use": "use file",
}
WAY_WORDS = {
    "upload": "uploaded",
    "watch": "from a watched folder",
    "command": "by command",
}


@router.get("/programs")
def programs_page(
    request: Request,
    actor: Viewer,
    station: FilterId = None,
    find: str = "",
    withdrawn: Annotated[bool, Query()] = False,
    page_number: PageNumber = 1,
    undo: FilterId = None,
) -> Response:
    """List the programs with what each does to a torch; bring files in."""
    view = programs.programs(
        shop_of(request),
        actor,
        station_id=station,
        withdrawn=withdrawn,
        find=find,
        page=page_number,
    )
    return page(
        request,
        "programs.html",
        actor,
        view=view,
        withdrawn=withdrawn,
        find=find[:80],
        number=page_number,
        full=len(view.lines) == programs.PAGE_SIZE,
        undo=undo,
        kinds=KIND_WORDS,
        largest=LARGEST_FILE >> 20,
    )


@router.post(IMPORT)
async def programs_import(request: Request, actor: Importer) -> Response:
    """Bring files in; each goes in whole or not at all, and each says what became of it.

    The body is read here, not by a declared form: by now it is known who sends it.
    """
    try:
        async with request.form(max_files=_MOST_FILES, max_fields=10) as form:
            rows = await _take(request, actor, form)
    except ClientDisconnect as error:
        raise ServiceError(
            "files",
            f"came to more than {LARGER_BODY[IMPORT] >> 20} MB, or the connection broke",
            "send fewer at a time; those that are in already are not counted twice",
        ) from error
    refused = sum(row["outcome"] is None for row in rows)
    return page(
        request,
        "imported.html",
        actor,
        status=422 if refused == len(rows) else 200,
        rows=rows,
        refused=refused,
        kinds=KIND_WORDS,
    )


async def _take(request: Request, actor: Actor, form: FormData) -> list[dict[str, Any]]:
    files = [f for f in form.getlist("files") if isinstance(f, UploadFile) and f.filename]
    if not files:
        raise ServiceError("files", "none was chosen", "choose one or more, then import them")
    typed = form.get("station")
    station = whole_number("station", typed if isinstance(typed, str) else "", high=2**31 - 1)
    rows = []
    for file in files:
        data = await file.read(LARGEST_FILE + 1)
        name = clean_name(file.filename or "")
        rows.append(await run_in_threadpool(_one, request, actor, name, data, station))
    return rows


def _one(
    request: Request, actor: Actor, name: str, data: bytes, station: int | None
) -> dict[str, Any]:
    """Import one file; what is wrong with it does not stop the others."""
    outcome: ImportOutcome | None = None
    text = ""
    try:
        outcome = import_file(
            shop_of(request),
            actor,
            name,
            data,
            way="upload",
            station_id=station or None,
            zone=named_zone(),
        )
    except (ServiceError, BookError) as error:
        text = str(error)
    return {"name": name, "outcome": outcome, "problem": text}


@router.get("/programs/{program_id}")
def program_page(
    request: Request, actor: Viewer, program_id: Id, station: FilterId = None
) -> Response:
    """Show one program: its count, its warnings by line, its cuts."""
    view = programs.program_detail(shop_of(request), actor, program_id, station_id=station)
    return page(
        request,
        "program.html",
        actor,
        view=view,
        kinds=KIND_WORDS,
        ways=WAY_WORDS,
        most_cuts=programs.SHOWN_CUTS,
        most_warnings=programs.SHOWN_WARNINGS,
    )


@router.post("/programs/{program_id}/drawing")
def program_drawing(
    request: Request,
    actor: Importer,
    program_id: Id,
    layers: Text = "",
    feed_mm_min: Text = "",
    pierce_seconds: Text = "",
) -> Response:
    """Set how one drawing is counted."""
    programs.set_drawing(
        shop_of(request),
        actor,
        program_id,
        layers=layers,
        feed_mm_min=feed_mm_min,
        pierce_seconds=pierce_seconds,
    )
    return go(request, f"/programs/{program_id}?done=saved")


@router.post("/programs/{program_id}/withdraw")
def program_withdraw(request: Request, actor: Importer, program_id: Id) -> Response:
    """Take a program off the lists."""
    programs.withdraw(shop_of(request), actor, program_id)
    return go(request, f"/programs?done=withdrawn&undo={program_id}")


@router.post("/programs/{program_id}/bring-back")
def program_bring_back(request: Request, actor: Importer, program_id: Id) -> Response:
    """Bring a withdrawn program back."""
    programs.bring_back(shop_of(request), actor, program_id)
    return go(request, f"/programs/{program_id}?done=brought-back")


@router.get("/shop/station/{station_id}/settings")
def settings_page(request: Request, actor: Viewer, station_id: Id) -> Response:
    """Show a station's settings; a lead can set them."""
    return page(
        request,
        "station_settings.html",
        actor,
        view=station_settings.settings_view(shop_of(request), actor, station_id),
        fields=station_settings.FIELDS,
        assumed_words=station_settings.ASSUMED,
    )


@router.post("/shop/station/{station_id}/settings")
async def settings_save(request: Request, actor: SettingsEditor, station_id: Id) -> Response:
    """Set a station's settings."""
    async with request.form(max_files=0, max_fields=40) as form:
        given = {
            f.name: form[f.name]
            for f in station_settings.FIELDS
            if isinstance(form.get(f.name), str)
        }
        reason, shown = form.get("reason"), form.get("based_on")
    based_on = whole_number("based on", shown if isinstance(shown, str) else "")
    if based_on is None:
        # Without it a form that was open for long would undo what somebody else has set.
        raise ServiceError(
            "settings", "the form does not tell which save it shows", "open the page again"
        )
    await run_in_threadpool(
        station_settings.save_settings,
        shop_of(request),
        actor,
        station_id,
        given,
        reason if isinstance(reason, str) else "",
        based_on=based_on,
    )
    return go(request, f"/shop/station/{station_id}/settings?done=saved")
