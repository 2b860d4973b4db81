"""Practice: judge rendered specimens, see the truth, look at one's own record."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, BackgroundTasks, Depends, Form, Request
from fastapi.responses import Response

from pitwise.services import practice
from pitwise.services.fields import whole_number
from pitwise.services.permissions import Actor
from pitwise.services.practice_scenes import KIND_WORDS, KINDS, LABEL, LEVELS
from pitwise.web.access import Id, needs, shop_of
from pitwise.web.render import go, page

router = APIRouter()
Trainee = Annotated[Actor, Depends(needs("practice"))]
Text = Annotated[str, Form()]
_LOOK = {
    "round": "edge even all round, in the middle of its rim",
    "out-of-round": "oval or lobed, no bite",
    "nicked": "a bite out of the edge",
    "off-centre": "round, but not in the middle",
}


@router.get("/practice")
def practice_page(request: Request, actor: Trainee) -> Response:
    """Show one's own record; go on at a level."""
    return page(
        request,
        "practice.html",
        actor,
        record=practice.record(shop_of(request), actor),
        levels=LEVELS,
        kinds=[(KIND_WORDS[k], _LOOK[k]) for k in KINDS],
        enough=practice.ENOUGH,
        of_last=practice.OF_LAST,
    )


@router.get("/practice/judge/{level}")
def practice_judge(request: Request, actor: Trainee, level: str) -> Response:
    """Show the next specimen to judge."""
    return page(
        request,
        "practice_judge.html",
        actor,
        specimen=practice.next_specimen(shop_of(request), actor, level),
        kinds=[(k, KIND_WORDS[k], _LOOK[k]) for k in KINDS],
        label=LABEL,
    )


@router.post("/practice/judge")
def practice_judged(
    request: Request,
    actor: Trainee,
    background: BackgroundTasks,
    key: Text = "",
    level: Text = "",
    seed: Text = "",
    said: Text = "",
) -> Response:
    """Keep an answer; its truth follows."""
    shop = shop_of(request)
    number = practice.judge(
        shop,
        actor,
        key=key,
        level=level,
        seed=whole_number("specimen", seed, high=practice.MOST_SEED) or 0,
        said=said,
    )
    background.add_task(practice.warm, shop, actor, level)
    return go(request, f"/practice/tries/{number}")


@router.get("/practice/tries/{number}")
def practice_try(request: Request, actor: Trainee, number: Id) -> Response:
    """Show one of one's own tries with the truth."""
    return page(
        request,
        "practice_try.html",
        actor,
        done_try=practice.read_try(shop_of(request), actor, number),
        record=practice.record(shop_of(request), actor),
        words=KIND_WORDS,
        label=LABEL,
    )


def _jpeg(data: bytes) -> Response:
    return Response(
        data, media_type="image/jpeg", headers={"Cache-Control": "private, max-age=3600"}
    )


@router.get("/practice/pictures/{level}/{seed}.jpg")
def practice_picture(request: Request, actor: Trainee, level: str, seed: int) -> Response:
    """Give a specimen's picture."""
    return _jpeg(practice.picture(shop_of(request), actor, level, seed))


@router.get("/practice/tries/{number}/{part}.jpg")
def practice_truth(request: Request, actor: Trainee, number: Id, part: str) -> Response:
    """Give the picture of one's own try with the truth drawn in."""
    return _jpeg(practice.try_picture(shop_of(request), actor, number, part))
