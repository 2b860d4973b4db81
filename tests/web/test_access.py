"""Who gets in, from where, and with which headers."""

from __future__ import annotations

from collections.abc import Callable
from typing import get_args

import pytest
from fastapi.routing import APIRoute
from fastapi.testclient import TestClient

from kit import PASSWORD, Floor
from pitwise.records.database import Database
from pitwise.services.permissions import TABLE, Permission
from pitwise.services.shopfloor import Shop
from pitwise.web.app import create_app
from pitwise.web.security import MAX_BODY

Client = Callable[[str | None], TestClient]
OPEN = {"/", "/sign-in", "/first", "/about", "/health"}


def routes(app: object) -> list[APIRoute]:
    """Every route of the app, those of included routers too."""
    found: list[APIRoute] = []
    todo = list(app.routes)  # type: ignore[attr-defined]
    while todo:
        route = todo.pop()
        if isinstance(route, APIRoute):
            found.append(route)
            continue
        inner = getattr(route, "routes", None) or getattr(
            getattr(route, "original_router", None), "routes", None
        )
        todo += list(inner or [])
    return found


def permission_of(route: APIRoute) -> str | None:
    rules = [getattr(d.call, "permission", None) for d in route.dependant.dependencies]
    named = [r for r in rules if r]
    return named[0] if len(named) == 1 else None


def test_every_route_has_exactly_one_rule_of_the_table(lite: Floor) -> None:
    found = routes(create_app(lite.shop))
    assert len(found) >= 40
    for route in found:
        assert permission_of(route) in get_args(Permission), route.path
        if permission_of(route) == "anyone":
            assert route.path in OPEN, route.path


def test_a_route_without_a_rule_is_found(lite: Floor) -> None:
    app = create_app(lite.shop)
    app.add_api_route("/back-door", lambda: {})
    assert [r.path for r in routes(app) if permission_of(r) is None] == ["/back-door"]


def test_every_route_obeys_its_rule(lite: Floor, client_of: Client) -> None:
    nobody = client_of(None)
    clients = {"technician": client_of("tom"), "lead": client_of("lin"), "admin": client_of("ada")}
    for route in routes(create_app(lite.shop)):
        rule = permission_of(route)
        if rule == "anyone" or route.path == "/sign-out":
            continue
        path = route.path
        for name in route.param_convertors:
            path = path.replace("{" + name + "}", "999999")
        method = "POST" if "POST" in (route.methods or ()) else "GET"
        answer = nobody.request(method, path)
        assert answer.status_code == 303, path
        assert answer.headers["location"].startswith("/sign-in"), path
        for role, client in clients.items():
            allowed = role in TABLE[rule]  # type: ignore[index]
            status = client.request(method, path).status_code
            assert (status != 403) == allowed, (path, role, status)


def test_security_headers_on_every_kind_of_answer(tech: TestClient, client_of: Client) -> None:
    for answer in (
        tech.get("/torches"),
        tech.get("/nowhere"),
        client_of(None).get("/torches"),
        tech.get("/static/pitwise.css"),
        tech.post("/limits"),
        tech.get("/torches", headers={"Host": "localhost:1"}),
    ):
        policy = answer.headers["content-security-policy"]
        assert policy.startswith("default-src 'none'")
        assert "unsafe" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
    assert tech.get("/torches").headers["cache-control"] == "no-store"


@pytest.mark.parametrize(
    ("headers", "passes"),
    [
        ({"Origin": "http://localhost"}, True),
        ({"Origin": "http://evil.example"}, False),
        ({"Origin": "null"}, False),
        ({"Origin": ""}, False),
        ({"Sec-Fetch-Site": "same-origin", "Origin": "http://localhost"}, True),
        ({"Sec-Fetch-Site": "cross-site", "Origin": "http://localhost"}, False),
        ({"Sec-Fetch-Site": "same-site", "Origin": "http://localhost"}, False),
        ({"Sec-Fetch-Site": "none", "Origin": "http://localhost"}, False),
    ],
)
def test_changes_from_other_sites_are_refused(
    lite: Floor, tech: TestClient, headers: dict[str, str], passes: bool
) -> None:
    answer = tech.post(
        f"/torches/{lite.torch}/inspect", data={"key": "key-made-here"}, headers=headers
    )
    assert (answer.status_code == 303) == passes
    if not passes:
        assert answer.status_code == 403


def test_without_any_origin_a_change_is_refused(lite: Floor, tech: TestClient) -> None:
    del tech.headers["Origin"]
    assert tech.post(f"/torches/{lite.torch}/inspect", data={"key": "k" * 9}).status_code == 403


@pytest.mark.parametrize("host", ["evil.example", "localhost.evil.example", "10.0.0.9", ""])
def test_other_host_names_are_refused(tech: TestClient, host: str) -> None:
    assert tech.get("/torches", headers={"Host": host}).status_code == 400


def test_a_big_body_is_refused(tech: TestClient) -> None:
    answer = tech.post("/limits", content=b"a" * (MAX_BODY + 1))
    assert answer.status_code == 413
    assert tech.post("/limits", headers={"Content-Length": "lots"}).status_code in (400, 413)


def test_sign_in_sets_a_guarded_cookie_and_out_revokes_it(client_of: Client) -> None:
    client = client_of(None)
    answer = client.post(
        "/sign-in", data={"login": "tom", "password": PASSWORD, "next": "/records"}
    )
    assert answer.status_code == 303
    assert answer.headers["location"] == "/records"
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    assert client.get("/torches").status_code == 200
    token = client.cookies["pitwise_session"]
    client.post("/sign-out")
    client.cookies.set("pitwise_session", token)
    assert client.get("/torches").status_code == 303


@pytest.mark.parametrize(
    "target", ["//evil.example", "https://evil.example", "/\\evil.example", "javascript:x", ""]
)
def test_sign_in_leads_nowhere_else(client_of: Client, target: str) -> None:
    answer = client_of(None).post(
        "/sign-in", data={"login": "tom", "password": PASSWORD, "next": target}
    )
    assert answer.headers["location"] == "/torches"


def test_failed_sign_in_says_why_and_is_throttled(client_of: Client) -> None:
    client = client_of(None)
    statuses = [
        client.post("/sign-in", data={"login": "tom", "password": "wrong"}).status_code
        for _ in range(9)
    ]
    assert statuses == [422] * 8 + [429]
    assert (
        "wait 15 minutes"
        in client.post("/sign-in", data={"login": "tom", "password": PASSWORD}).text
    )


def test_the_first_account_needs_the_code(lite: Floor) -> None:
    # A book without people: a fresh one beside it.
    path = str(lite.shop.database.url.database) + ".fresh"
    shop = Shop(Database(f"sqlite:///{path}"))
    shop.prepare()
    form = {"login": "one", "name": "First One", "password": PASSWORD}
    with TestClient(
        create_app(shop, first_code="abcd"),
        base_url="http://localhost",
        headers={"Origin": "http://localhost"},
        follow_redirects=False,
    ) as client:
        assert client.get("/torches").headers["location"] == "/first"
        assert client.get("/sign-in").headers["location"] == "/first"
        assert client.post("/first", data={**form, "code": "wrong"}).status_code == 422
        assert client.post("/first", data={**form, "code": ""}).status_code == 422
        assert client.post("/first", data={**form, "code": "abcd"}).status_code == 303
        assert client.post("/first", data={**form, "code": "abcd"}).status_code == 409
        assert (
            client.post("/sign-in", data={"login": "one", "password": PASSWORD}).status_code == 303
        )
        # Empty states of a new book.
        for path in ("/torches", "/records", "/parts", "/limits", "/shop", "/people"):
            assert client.get(path).status_code == 200
    shop.close()
