"""Fill an empty book with the demo shop: made through the services, like a real one."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

from pitwise.bench.decide import PIT_PART
from pitwise.demo.photos import PhotoStory, furnish
from pitwise.demo.plates import PROGRAMS
from pitwise.demo.shelf import ShelfStory
from pitwise.demo.simulate import SimulatedElectrode, WearTruth
from pitwise.demo.story import Story, set_ranges
from pitwise.demo.studies import add_studies
from pitwise.services import (
    drafts,
    fittings,
    forecasts,
    imports,
    limits,
    people,
    setup,
    signing,
    station_settings,
)
from pitwise.services.permissions import Actor
from pitwise.services.shopfloor import Shop

PASSWORD = "plate and kerf"  # noqa: S105 -- of the made-up shop, shown on its sign-in page
_GAUGE_SIGMA_MM = 0.02
_PEOPLE = (
    ("bertil", "Bertil Vane", "admin"),
    ("tamsin", "Tamsin Rook", "lead"),
    ("odile", "Odile Marsh", "technician"),
    ("ewan", "Ewan Thorne", "technician"),
)
# How often each finding turns up at an inspection, for the demo only.
_CHANCES = (
    ("shield", "spatter-attached", 0.28),
    ("shield-cap", "spatter-attached", 0.10),
    ("shield-cap", "coolant-darkening", 0.22),
    ("retaining-cap", "coolant-darkening", 0.15),
    ("retaining-cap", "debris-in-gas-ports", 0.07),
    ("nozzle", "scale", 0.10),
    ("nozzle", "orifice-out-of-round", 0.035),
    ("nozzle", "arc-marks", 0.02),
    ("swirl-ring", "dirt", 0.09),
    ("swirl-ring", "chip", 0.008),
    ("shield", "orifice-nicked", 0.02),
    ("shield", "mechanical-damage", 0.012),
    ("retaining-cap", "o-ring-dry", 0.04),
    ("coolant-tube", "scale", 0.03),
    ("torch-head", "dirt", 0.05),
)


@dataclass
class _Torch:
    id: int
    truth: WearTruth
    starts_per_day: float
    minutes_per_start: float
    electrode: SimulatedElectrode
    shown_starts: int = 0
    shown_minutes: float = 0.0
    lot: str | None = None
    spares: list[str] = field(default_factory=list)


class _Clock:
    def __init__(self, start: dt.datetime) -> None:
        self.now = start

    def __call__(self) -> dt.datetime:
        return self.now

    def forward(self, minutes: float) -> None:
        self.now += dt.timedelta(minutes=minutes)


def _make_shop(shop: Shop, actors: dict[str, Actor]) -> dict[str, int]:
    """Make stations, processes, gauge and torches; returns ids by name."""
    lead = actors["tamsin"]
    north = setup.add_station(shop, lead, name="North table", coolant="glycol-mix")
    south = setup.add_station(shop, lead, name="South table", coolant="glycol-mix")
    heavy = setup.add_process(
        shop,
        lead,
        name="300 A mild steel",
        amps=300,
        material="mild steel",
        plasma_gas="oxygen",
        shield_gas="air",
    )
    medium = setup.add_process(
        shop,
        lead,
        name="130 A mild steel",
        amps=130,
        material="mild steel",
        plasma_gas="oxygen",
        shield_gas="air",
    )
    stainless = setup.add_process(
        shop,
        lead,
        name="200 A stainless",
        amps=200,
        material="stainless steel",
        plasma_gas="nitrogen",
        shield_gas="nitrogen",
    )
    gauge = setup.add_gauge(shop, lead, name="Bench gauge 1", unit="mm", u_mm=None, source=None)
    out = {}
    for name, station, process, due in (
        ("North 1", north, heavy, 450),
        ("South 1", south, medium, 600),
        ("South 2", south, stainless, 400),
    ):
        out[name] = setup.add_torch(
            shop,
            lead,
            name=name,
            station_id=station,
            process_id=process,
            gauge_id=gauge,
            due_starts=due,
        )
    limits.add_limit(
        shop,
        lead,
        depth="0.9 mm",
        compare=">=",
        process_id=stainless,
        source="demo: as if from the equipment's manual",
        reason="Edges went rough before 1.0 mm on stainless in this made-up shop",
    )
    for station, rapid in ((north, "20000"), (south, "24000")):
        station_settings.save_settings(
            shop,
            lead,
            station,
            {
                "accel_mm_s2": "900",
                "rapid_mm_min": rapid,
                "currency": "EUR",
                "set_value": "74",
                "stop_minutes": "12",
                "stop_cost_per_hour": "110",
            },
            "demo: figures made up for this shop",
        )
    set_ranges(shop, lead, north)
    return out


def _import_programs(shop: Shop, clock: _Clock, actor: Actor, until: dt.datetime) -> None:
    """Bring the made-up shop's cut programs in, the one most cut last."""
    for ago, (name, make) in zip(range(len(PROGRAMS), 0, -1), PROGRAMS, strict=True):
        clock.now = until - dt.timedelta(minutes=ago)
        imports.import_file(shop, actor, name, make().encode(), way="upload")


def _add_part_types(shop: Shop, lead: Actor, torches: dict[str, int]) -> list[tuple[int, int]]:
    """Put a kind of every part for every torch in the book; returns torch and kind in pairs."""
    amps = {"North 1": "300", "South 1": "130", "South 2": "200S"}
    return [
        (
            torch_id,
            setup.add_part_type(shop, lead, part=part.id, name=f"{part.name} {amps[name]}"),
        )
        for part in shop.base.parts
        for name, torch_id in torches.items()
    ]


def _fit_first_sets(shop: Shop, lead: Actor, kinds: list[tuple[int, int]]) -> None:
    """Say what the torches held already when the book began: nothing comes off the shelf."""
    for torch_id, kind in kinds:
        fittings.fit_part(
            shop, lead, torch_id, part_type_id=kind, lot="first lot", from_shelf=False
        )


def _work(torch: _Torch, days: float, random: Random, faster: float) -> None:
    starts = max(1, round(torch.starts_per_day * days * random.uniform(0.7, 1.3)))
    minutes = starts * torch.minutes_per_start * random.uniform(0.8, 1.25)
    torch.electrode.run(starts, minutes, faster)
    torch.shown_starts += starts
    torch.shown_minutes = round(torch.shown_minutes + minutes, 1)


def _inspect(
    shop: Shop,
    clock: _Clock,
    torch: _Torch,
    actor: Actor,
    lead: Actor,
    random: Random,
    key: str,
    *,
    shown: list[tuple[str, str]],
    photos: PhotoStory,
    name: str,
    share: float,
    finish: bool = True,
) -> None:
    """Carry one inspection through, as a technician would."""
    number = drafts.open_draft(shop, actor, torch.id, key=f"{key}-open")
    clock.now += dt.timedelta(minutes=2)
    draft = drafts.confirm_cautions(shop, actor, number)
    if finish:
        # Counters first: with them the forecast knows what use the pit has behind it.
        draft = drafts.set_use(
            shop,
            actor,
            number,
            starts=str(torch.shown_starts),
            arc_minutes=f"{torch.shown_minutes:.1f}",
        )
    lost = torch.electrode.lost
    seen = [(part, slug) for part, slug, chance in _CHANCES if random.random() < chance]
    seen += shown
    if lost:
        seen += [("electrode", "emitter-blown"), ("nozzle", "arc-marks")]
    elif torch.electrode.depth_mm > 0.8 and random.random() < 0.12:
        seen.append(("electrode", "emitter-off-centre"))
    parts = [p.id for p in shop.base.parts]
    for slug in parts if finish else parts[:4]:
        clock.now += dt.timedelta(seconds=random.randint(15, 50))
        for part, finding in dict.fromkeys(seen):
            if part == slug:
                drafts.set_mark(shop, actor, number, part, finding, "seen")
        if slug == PIT_PART:
            reading = torch.electrode.gauge(_GAUGE_SIGMA_MM)
            drafts.add_reading(shop, actor, number, reading, key=f"{key}-r1")
            if lost:
                drafts.set_lost(shop, actor, number, slug, lost=True)
        if slug == "nozzle" and photos.wants(name, share, finish=finish):
            draft = photos.take(shop, actor, number, name, draft, key)
        draft = drafts.set_look(shop, actor, number, slug, looked=True)
    if not finish:
        return
    for repeat in range(2, 4):
        if draft.decision.parts[PIT_PART].action != "recheck":
            break
        reading = torch.electrode.gauge(_GAUGE_SIGMA_MM)
        draft = drafts.add_reading(shop, actor, number, reading, key=f"{key}-r{repeat}")
    for flag in draft.decision.open_questions():
        draft = drafts.answer_question(shop, actor, number, flag.code)
    nozzle = draft.decision.parts["nozzle"]
    if nozzle.action == "clean" and random.random() < 0.15:
        drafts.set_overrule(
            shop, lead, number, "nozzle", "replace", "Scale would not brush off; spare at hand"
        )
    clock.now += dt.timedelta(minutes=1)
    for slip in draft.use_slips:
        drafts.answer_question(shop, actor, number, slip.code)
    signing.sign(shop, actor, number, key=f"{key}-sign")
    with shop.database.read() as session:
        now_in = fittings.fitted(session, torch.id)[PIT_PART]
        fresh = now_in.fitted_by_inspection == number
        torch.lot = now_in.item.lot
    if fresh:
        torch.electrode = SimulatedElectrode(torch.truth, random)


def fill(
    shop: Shop,
    *,
    seed: int = 2026,
    until: dt.datetime,
    days: int = 365,
    progress: Callable[[float], None] | None = None,
) -> None:
    """Fill an empty book with the demo shop's inspections up to `until`.

    Parameters
    ----------
    shop : Shop
        Prepared and empty; its clock is taken over while this runs.
    seed : int
        The same seed and `until` give the same scenario.
    until : datetime
        End of the simulated time, aware.
    days : int
        Length of the simulated time.
    progress : callable or None
        Called with the share done, 0 to 1.
    """
    random = Random(seed)
    start = until - dt.timedelta(days=days)
    clock = _Clock(start)
    real_clock, shop.clock = shop.clock, clock
    try:
        actors: dict[str, Actor] = {}
        first = people.first_admin(shop, login=_PEOPLE[0][0], name=_PEOPLE[0][1], password=PASSWORD)
        actors[first.login] = Actor(first.id, first.name, first.role)
        for login, name, role in _PEOPLE[1:]:
            person = people.add_person(
                shop, actors["bertil"], login=login, name=name, role=role, password=PASSWORD
            )
            actors[login] = Actor(person.id, person.name, person.role)
        ids = _make_shop(shop, actors)
        kinds = _add_part_types(shop, actors["tamsin"], ids)
        # Prices come before parts, so that every part counts by the price that held then.
        shelf = ShelfStory(shop, actors["tamsin"], actors["ewan"], seed, clock.forward)
        shelf.furnish()
        clock.forward(1)
        _fit_first_sets(shop, actors["tamsin"], kinds)
        truths = {"North 1": 0.62, "South 1": 0.42, "South 2": 0.45}
        pace = {"North 1": (85.0, 0.55), "South 1": (120.0, 0.35), "South 2": (70.0, 0.45)}
        torches = {
            name: _Torch(
                ids[name],
                WearTruth(c),
                *pace[name],
                SimulatedElectrode(WearTruth(c), random),
            )
            for name, c in truths.items()
        }
        due: list[tuple[dt.datetime, str]] = [
            (start + dt.timedelta(hours=6 + i), name) for i, name in enumerate(torches)
        ]
        # Its own dice: what troubles show shifts no other throw of the scenario.
        story = Story(Random(seed + 1))
        photos = PhotoStory()
        furnish(shop, actors["tamsin"])
        number, month = 0, start.month
        while due:
            due.sort()
            at, name = due.pop(0)
            torch = torches[name]
            share = (at - start) / (until - start)
            gap = random.choice((3, 4, 4, 5, 7))
            nxt = at + dt.timedelta(days=gap, minutes=random.randint(-20, 20))
            clock.now = at
            technician = actors[random.choice(("odile", "odile", "ewan"))]
            # The last round of one torch is left open, so that the demo shows a draft.
            finish = nxt < until or name != "South 2"
            _inspect(
                shop,
                clock,
                torch,
                technician,
                actors["tamsin"],
                random,
                f"demo-{seed}-{number:05d}",
                shown=story.seen(name, share),
                photos=photos,
                name=name,
                share=share,
                finish=finish,
            )
            # A fit a month keeps the making of the demo short; a real shop's are made as due.
            forecasts.keep_up(shop, refit=clock.now.month != month)
            month = clock.now.month
            if finish:
                story.after_inspection(
                    shop,
                    technician,
                    name,
                    torch.id,
                    share,
                    clock.forward,
                    f"demo-{seed}-{number:05d}",
                )
            shelf.go_on(share)
            number += 1
            if nxt < until:
                faster = story.faster(name, share) * shelf.faster(torch.lot)
                _work(torch, gap * 0.75, random, faster)
                due.append((nxt, name))
            if progress:
                progress(min(1.0, (at - start) / (until - start)))
        clock.now = until - dt.timedelta(days=1)
        who = [actors[login] for login in ("tamsin", "odile", "ewan")]
        add_studies(shop, who, seed=seed, wait=clock.forward)
        _import_programs(shop, clock, actors["tamsin"], until)
        clock.now = until
        shelf.finish(ids)
        clock.now = until
        forecasts.keep_up(shop)
    finally:
        shop.clock = real_clock
