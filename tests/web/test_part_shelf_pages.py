"""A part's page and the shelf's, each a touch from the other."""

from __future__ import annotations

import html
import re
from collections.abc import Callable

from fastapi.testclient import TestClient

from kit import Floor
from pitwise.services import fittings
from shelf_kit import WORN, shelf_on

ClientOf = Callable[[str | None], TestClient]


def moves_of(client_of: ClientOf, part: int) -> str:
    """What the part's page says of the shelf, to somebody who has just signed in."""
    text = client_of("tom").get(f"/parts/{part}").text
    section = text.split('<h2 id="shelf-moves">')[1].split("<h2>")[0]
    return html.unescape(section)


def words(section: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", "", section).split())


def test_each_leads_to_the_other(lite: Floor, client_of: ClientOf) -> None:
    with lite.shop.database.read() as session:
        first = fittings.fitted(session, lite.torch)["nozzle"].part_item_id
    assert "Parts of its kind are not kept on the shelf." in words(moves_of(client_of, first))
    shelf = shelf_on(lite)
    section = moves_of(client_of, first)
    assert "It was not taken off the shelf" in words(section)
    assert f'href="/shelf/items/{shelf.nozzle}"' in section
    shelf.goods_in(shelf.nozzle, 3, "A")
    number = lite.inspect(seen=WORN)
    with lite.shop.database.read() as session:
        item = fittings.fitted(session, lite.torch)["nozzle"].item
    section = moves_of(client_of, item.id)
    assert f"Came off the shelf for record {number}." in words(section)
    assert "lot A" in words(section)
    assert f'href="/records/{number}"' in section
    link = re.search(r'href="(/shelf/items/\d+)#(m-\d+)"', section)
    assert link is not None
    tech = client_of("tom")
    there = tech.get(link[1]).text
    line = there.split(f'id="{link[2]}"')[1].split("</tr>")[0]
    assert f'<a href="/parts/{item.id}#shelf-moves">{item.tag}</a>' in line
    assert f'<a href="/parts/{item.id}#shelf-moves">' in tech.get(f"/records/{number}").text

    fixed = shelf.correct(number, worn=False)
    section = moves_of(client_of, item.id)
    assert f"Put back on the shelf: record {number} was corrected by record {fixed}." in words(
        section
    )
    assert f'href="/records/{fixed}"' in section
    assert len(re.findall(r'#m-\d+"', section)) == 2
