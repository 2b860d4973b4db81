"""Work that signs inspections one after another, printing each only once it is signed.

Run, and killed in the middle of it, by test_kill.py.
"""

from __future__ import annotations

from pitwise.records.database import Database
from pitwise.services import drafts, signing
from pitwise.services.permissions import Actor
from pitwise.services.shopfloor import Shop
from pitwise.trade import base_sheet
from pitwise.trade.model import PART_SLUGS

# Once, before processes are forked: reading the sheets takes longer than signing.
base_sheet()


def main(url: str, run: str, torch: int, person: int) -> None:
    shop, tech = Shop(Database(url)), Actor(person, "Tom Reed", "technician")
    for turn in range(10_000):
        number = drafts.open_draft(shop, tech, torch, key=f"run-{run}-{turn}-open")
        drafts.confirm_cautions(shop, tech, number)
        for slug in PART_SLUGS:
            drafts.set_look(shop, tech, number, slug, looked=True)
        drafts.set_mark(shop, tech, number, "nozzle", "arc-marks", "seen")
        print(f"touched {number}", flush=True)
        draft = drafts.add_reading(shop, tech, number, "0.42 mm", key=f"run-{run}-{turn}-read")
        print(f"read {number}", flush=True)
        for flag in draft.decision.open_questions():
            drafts.answer_question(shop, tech, number, flag.code)
        signing.sign(shop, tech, number, key=f"run-{run}-{turn}-sign")
        print(f"signed {number}", flush=True)
