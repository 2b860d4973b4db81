"""A real Chromium in front of a served book, and the hands that touch it."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from kit import PASSWORD, Floor, open_floor
from pitwise.trade.model import PART_SLUGS

TABLET = (1180, 820)
PHONE = (390, 844)
SIZES = (TABLET, PHONE)
ARGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
SERVER = Path(__file__).with_name("serve_book.py")
STEPS = [*PART_SLUGS, "sign"]


class Servers:
    """The process that forks a server for each book."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process

    def _order(self, *words: str) -> str:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write("\t".join(words) + "\n")
        self._process.stdin.flush()
        answer = self._process.stdout.readline().strip()
        assert answer, "the servers' process has ended"
        return answer

    @contextmanager
    def serve(self, url: str, start: str) -> Iterator[str]:
        port, child = self._order("start", url, start).split("\t")
        try:
            yield f"http://127.0.0.1:{port}"
        finally:
            self._order("stop", child)


@dataclass
class Seat:
    """One served book and the browser in front of it."""

    base: str
    browser: Browser
    floor: Floor
    slips: list[str] = field(default_factory=list)
    contexts: list[BrowserContext] = field(default_factory=list)

    def page(self, size: tuple[int, int] = TABLET, login: str | None = "tom") -> Page:
        """Open a page of a new context, signed in when a login is given."""
        context = self.browser.new_context(
            base_url=self.base, viewport={"width": size[0], "height": size[1]}
        )
        context.set_default_timeout(20000)
        self.contexts.append(context)
        page = context.new_page()
        page.on(
            "console",
            lambda said: (
                self.slips.append(said.text) if said.type in ("error", "warning") else None
            ),
        )
        page.on("pageerror", lambda error: self.slips.append(str(error)))
        if login:
            page.goto("/sign-in")
            page.fill("input[name=login]", login)
            page.fill("input[name=password]", PASSWORD)
            page.click("main .main-button")
            page.wait_for_url("**/torches")
        return page


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        made = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=ARGS)
        yield made
        made.close()


@pytest.fixture(scope="session")
def servers() -> Iterator[Servers]:
    command = [sys.executable, str(SERVER)]
    pipe = subprocess.PIPE
    with subprocess.Popen(command, stdin=pipe, stdout=pipe, text=True) as process:
        yield Servers(process)
        assert process.stdin is not None
        process.stdin.close()
        process.wait(timeout=20)


@pytest.fixture
def seat(
    browser: Browser, servers: Servers, tmp_path: Path, session_folder: Path
) -> Iterator[Seat]:
    """A furnished book of its own with one signed record, served."""
    with open_floor("sqlite", tmp_path, session_folder) as floor:
        floor.clock.forward(days=1)
        floor.inspect(
            "0.40 mm", seen=(("shield", "spatter-attached"),), starts="300", minutes="120"
        )
        url = floor.shop.database.engine.url.render_as_string(hide_password=False)
        with servers.serve(url, floor.clock.now.isoformat()) as base:
            made = Seat(base, browser, floor)
            yield made
            for context in made.contexts:
                context.close()


def at(page: Page, step: str) -> None:
    """Wait until the bench is at a step."""
    page.wait_for_selector(f"#bench[data-step={step}]")


def open_bench(page: Page, torch: int, step: str = "shield-cap") -> str:
    """Open an inspection, confirm the cautions, go to a part; gives the bench's address."""
    page.goto(f"/torches/{torch}")
    page.click("main .main-button")
    at(page, "cautions")
    bench = page.url.split("?")[0]
    page.click("#confirm")
    at(page, "shield-cap")
    if step != "shield-cap":
        page.goto(f"{bench}?part={step}")
        at(page, step)
    return bench


def touch(page: Page, finding: str) -> None:
    """Touch a finding and wait until it stands as seen."""
    page.click(f"#f-{finding}")
    page.wait_for_selector(f"#f-{finding}[aria-pressed=true]")


def look_through(page: Page, pit: str = "0.41") -> None:
    """From the first part to the review, nothing seen."""
    for slug, following in pairwise(STEPS):
        if slug == "electrode":
            page.fill("#pit-field", pit)
        page.click("#looked")
        at(page, following)
