"""Work that moves pieces on the shelf, printing each act only once it is in the book.

Run, and killed in the middle of it, by test_kill_shelf.py.
"""

from __future__ import annotations

from pitwise.records.database import Database
from pitwise.services import drafts, shelf_ledger, shelf_undo, signing
from pitwise.services.permissions import Actor
from pitwise.services.shopfloor import Shop
from pitwise.trade.model import PART_SLUGS


def main(url: str, run: str, torch: int, person: int, kit: int, nozzle: int) -> None:
    shop, tech = Shop(Database(url)), Actor(person, "Tom Reed", "technician")
    for turn in range(10_000):
        key = f"run-{run}-{turn}"
        shelf_ledger.goods_in(shop, tech, item_id=kit, pieces="2", key=f"{key}-in", lot=key)
        print(f"in {key}-in", flush=True)
        shelf_ledger.open_kit(shop, tech, kit_id=kit, kits="1", key=f"{key}-open")
        print(f"opened {key}-open", flush=True)
        line = shelf_ledger.goods_in(shop, tech, item_id=nozzle, pieces="9", key=f"{key}-slip")
        shelf_undo.undo(shop, tech, line, key=f"{key}-undo", reason="a slip")
        print(f"undone {key}-undo", flush=True)
        number = drafts.open_draft(shop, tech, torch, key=f"{key}-draft")
        drafts.confirm_cautions(shop, tech, number)
        for slug in PART_SLUGS:
            drafts.set_look(shop, tech, number, slug, looked=True)
        drafts.set_mark(shop, tech, number, "nozzle", "arc-marks", "seen")
        draft = drafts.add_reading(shop, tech, number, "0.42 mm", key=f"{key}-read")
        for flag in draft.decision.open_questions():
            drafts.answer_question(shop, tech, number, flag.code)
        signing.sign(shop, tech, number, key=f"{key}-sign")
        print(f"signed {number}", flush=True)
