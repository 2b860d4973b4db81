"""The pages of money and the month: whole, empty, refused, and their files."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest
from fastapi.testclient import TestClient

from kit import Floor
from money_kit import small_book

ClientOf = Callable[[str | None], TestClient]
DAYS = "from=2031-03-01&to=2031-03-31"


@pytest.fixture(autouse=True)
def _zone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PITWISE_TIMEZONE", "UTC")


def test_an_empty_book_says_what_to_do(lite: Floor, tech: TestClient) -> None:
    page = tech.get("/money?from=2031-04-01&to=2031-04-02")
    assert page.status_code == 200
    assert "Nothing to tell of these days" in page.text
    assert tech.get("/money/habit").status_code == 200
    month = tech.get("/month")
    assert month.status_code == 200
    assert "The book begins in March 2031: it holds nothing of February 2031." in month.text
    assert tech.get("/month.pdf").content.startswith(b"%PDF")
    paper = tech.get("/money/losses.pdf?from=2031-04-01&to=2031-04-02")
    assert paper.content.startswith(b"%PDF")
    assert tech.get("/money/losses.svg?from=2031-04-01&to=2031-04-02").status_code == 404


def test_the_small_book_on_the_page(lite: Floor, client_of: ClientOf) -> None:
    small_book(lite)
    # Signed in after it: the book takes days.
    tech = client_of("tom")
    text = tech.get(f"/money?{DAYS}").text
    for words in (
        "12 without a known price",
        "at least <b>200 EUR</b>",
        "<b>0.667 EUR</b>, over 300 starts",
        "3 of 4</b> parts that came to their end",
        "never added together",
        "Electrode: emitter blown or face melted",
        "too few to tell how long a nozzle 300 lasts",
        'href="/change"',
        'href="/life"',
    ):
        assert words in text, words
    assert "A lead enters" not in text
    # Drawn at both widths, for each currency.
    assert text.count("<svg") >= 4
    assert 'hx-get="/money/habit"' in text
    habit = tech.get("/money/habit").text
    assert "300 A mild steel" in habit
    assert "That saves" in habit
    assert "<html" not in habit
    assert "By why the part before came out" in tech.get(f"/money?{DAYS}&by=cause").text


def test_the_month_on_the_page(lite: Floor, client_of: ClientOf) -> None:
    small_book(lite)
    # Signed in after it: the book takes days.
    tech = client_of("tom")
    text = tech.get("/month/2031-03").text
    assert "Wear parts, March 2031" in text
    assert "too few to tell" in text
    assert "Terms were entered for electrode 300 and nozzle 300." in text
    went = tech.get("/month?month=2031-03")
    assert (went.status_code, went.headers["location"]) == (303, "/month/2031-03")
    pdf = tech.get("/month.pdf?month=2031-03")
    assert pdf.headers["content-type"] == "application/pdf"
    assert 'filename="month-2031-03.pdf"' in pdf.headers["content-disposition"]

    # The same book's files.
    fitted = tech.get(f"/money.csv?{DAYS}")
    assert fitted.text.startswith("fitted_at,torch")
    assert len(fitted.text.splitlines()) == 21
    lost = tech.get(f"/money.csv?{DAYS}&what=losses")
    assert "lost in the cut" in lost.text
    assert tech.get(f"/money/losses.pdf?{DAYS}&paper=a3").content.startswith(b"%PDF")
    assert tech.get(f"/money/losses.svg?{DAYS}").text.startswith("<svg")
    assert tech.get(f"/money/losses.svg?{DAYS}&currency=cost+units").status_code == 200
    assert tech.get(f"/money/losses.svg?{DAYS}&currency=SEK").status_code == 404


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("/money?from=soon", "is no day"),
        ("/money?from=2031-05-01&to=2031-04-01", "swap the two days"),
        ("/money?by=colour", "is no grouping"),
        ("/month/2031-99", "is no month"),
        ("/month/2099-01", "has not begun"),
        ("/month/%3Cb%3E", "is no month"),
        ("/money/losses.pdf?paper=a0", "paper"),
    ],
)
def test_what_cannot_be_is_refused_with_the_mend(
    lite: Floor, tech: TestClient, path: str, words: str
) -> None:
    page = tech.get(path)
    assert page.status_code == 422
    assert words in page.text.lower() or words in page.text
    assert "<b>’" not in page.text


def test_days_the_wrong_way_round_are_said_beside_their_field(
    lite: Floor, tech: TestClient
) -> None:
    usual = tech.get("/money").text
    assert 'id="period-from-why"' not in usual
    page = tech.get("/money?from=2026-12-01&to=2026-01-01&by=part").text
    form = page.split('<form method="get" action="/money"')[1].split("</form>")[0]
    field = form.split('id="period-from"')[1].split("</div>")[0]
    assert 'value="2026-12-01"' in field
    assert 'aria-invalid="true" aria-describedby="period-from-why"' in field
    assert "2026-12-01 is after 2026-01-01. Swap the two days." in field
    to = form.split('id="period-to"')[1].split("</div>")[0]
    assert 'value="2026-01-01"' in to
    assert "aria-invalid" not in to
    assert '<option value="part" selected>' in form
    # Below stand the usual days, and what leads on from here is of those.
    words = re.search(r'id="days" open><summary>([^<]+)</summary>', usual)
    assert words is not None
    assert f"<summary>{words[1]}</summary>" in page
    month = tech.get("/month/2099-01")
    assert month.status_code == 422
    assert (
        "January 2099 has not begun" in month.text.split('action="/month"')[1].split("</form>")[0]
    )
    half = tech.get("/money?to=2031-02-30").text
    field = half.split('id="period-to"')[1].split("</div>")[0]
    assert "’2031-02-30’ is no day" in field.replace("&#39;", "’")
    # What was not typed stands as the page below has it.
    assert 'name="from" value="2030-' in half
    assert "<h1>Wear parts, February 2031</h1>" in month.text


def test_nobody_looks_without_signing_in(client_of: ClientOf) -> None:
    client = client_of(None)
    for path in (
        "/money",
        "/money.csv",
        "/money/losses.pdf",
        "/month",
        "/month.pdf",
        "/month/2031-03",
    ):
        assert client.get(path).status_code == 303
