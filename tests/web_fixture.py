"""A served shop, and clients signed in as each role."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from fastapi.testclient import TestClient

from kit import PASSWORD, Floor
from pitwise.services import people
from pitwise.web.app import create_app

ORIGIN = "http://localhost"


@pytest.fixture
def client_of(lite: Floor) -> Iterator[Callable[[str | None], TestClient]]:
    """Make a client signed in as somebody (None: nobody)."""
    app = create_app(lite.shop)
    made: list[TestClient] = []

    def make(login: str | None) -> TestClient:
        client = TestClient(
            app, base_url=ORIGIN, headers={"Origin": ORIGIN}, follow_redirects=False
        )
        made.append(client)
        if login:
            token = people.sign_in(lite.shop, login=login, password=PASSWORD, address="test")
            client.cookies.set("pitwise_session", token)
        return client

    yield make
    for client in made:
        client.close()


@pytest.fixture
def tech(client_of: Callable[[str | None], TestClient]) -> TestClient:
    return client_of("tom")


@pytest.fixture
def lead(client_of: Callable[[str | None], TestClient]) -> TestClient:
    return client_of("lin")


@pytest.fixture
def admin(client_of: Callable[[str | None], TestClient]) -> TestClient:
    return client_of("ada")
