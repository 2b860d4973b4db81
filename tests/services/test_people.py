"""People, roles, sign-in, sessions, throttling."""

from __future__ import annotations

import pytest
from argon2 import PasswordHasher
from sqlalchemy import select

from kit import PASSWORD, Floor
from pitwise.records.tables import AuditRow, SignIn
from pitwise.services import people
from pitwise.services.errors import (
    ConflictError,
    NotAllowedError,
    ServiceError,
    ThrottledError,
)
from pitwise.services.permissions import ROLES, TABLE, Actor, may, require


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    # The hash's cost is checked in tests/published; here only that it is asked.
    monkeypatch.setattr(people, "HASHER", PasswordHasher(time_cost=1, memory_cost=8, parallelism=1))


def enter(floor: Floor, login: str = "tom", password: str = PASSWORD, address: str = "a") -> str:
    return people.sign_in(floor.shop, login=login, password=password, address=address)


def test_the_table_gives_each_role_at_least_what_the_one_below_has() -> None:
    for action, roles in TABLE.items():
        for low, high in (("technician", "lead"), ("lead", "admin")):
            assert low not in roles or high in roles, action
    assert not may(None, "view")
    assert may(None, "anyone")
    for role in ROLES:
        assert may(Actor(1, "x", role), "inspect")
    with pytest.raises(NotAllowedError, match="admin or lead"):
        require(Actor(1, "x", "technician"), "edit-limits")


def test_a_session_lasts_until_it_is_over_or_revoked(floor: Floor) -> None:
    token = enter(floor)
    actor = people.who(floor.shop, token)
    assert actor is not None
    assert (actor.name, actor.role) == ("Tom Reed", "technician")
    other = enter(floor)
    people.sign_out(floor.shop, actor, token)
    assert people.who(floor.shop, token) is None
    assert people.who(floor.shop, other) == actor
    floor.clock.forward(hours=people.SESSION_HOURS, seconds=1)
    assert people.who(floor.shop, other) is None
    assert people.who(floor.shop, "made-up") is None


def test_only_a_hash_of_the_token_is_kept(floor: Floor) -> None:
    token = enter(floor)
    with floor.shop.database.read() as session:
        rows = session.scalars(select(SignIn)).all()
    assert all(token not in (r.token_sha256, r.address) for r in rows)


@pytest.mark.parametrize(
    "change", [{"role": "lead"}, {"active": False}, {"password": "another long word"}]
)
def test_a_change_ends_the_persons_sessions(floor: Floor, change: dict[str, object]) -> None:
    token = enter(floor)
    assert floor.tech.person_id is not None
    people.change_person(floor.shop, floor.admin, floor.tech.person_id, **change)  # type: ignore[arg-type]
    assert people.who(floor.shop, token) is None


def test_wrong_password_and_unknown_name_answer_alike(floor: Floor) -> None:
    answers = set()
    for login, password in (("tom", "wrong"), ("nobody", "wrong"), ("", "")):
        with pytest.raises(ServiceError) as caught:
            enter(floor, login, password)
        answers.add(str(caught.value))
    assert len(answers) == 1
    people.change_person(floor.shop, floor.admin, floor.tech.person_id or 0, active=False)
    with pytest.raises(ServiceError):
        enter(floor)


def test_throttled_per_account_whatever_the_address(floor: Floor) -> None:
    for n in range(8):
        with pytest.raises(ServiceError, match="do not fit"):
            enter(floor, "tom", "wrong", address=f"host-{n}")
    with pytest.raises(ThrottledError):
        enter(floor, address="fresh")
    enter(floor, "lin", address="fresh")
    floor.clock.forward(minutes=16)
    enter(floor)


def test_throttled_per_address_whatever_the_account(floor: Floor) -> None:
    for n in range(40):
        with pytest.raises(ServiceError, match="do not fit"):
            enter(floor, f"guess-{n}", "wrong", address="one host")
    with pytest.raises(ThrottledError):
        enter(floor, "tom", address="one host")
    enter(floor, "tom", address="another")


def test_the_last_admin_stays(floor: Floor) -> None:
    for change in ({"role": "lead"}, {"active": False}):
        with pytest.raises(ConflictError, match="last admin"):
            people.change_person(floor.shop, floor.admin, floor.admin.person_id or 0, **change)
    assert {p.role for p in people.list_people(floor.shop, floor.admin)} == set(ROLES)


@pytest.mark.parametrize(
    ("fields", "place"),
    [
        ({"login": ""}, "sign-in name"),
        ({"login": "a b"}, "sign-in name"),
        ({"login": "TOM"}, "sign-in name"),
        ({"login": "x" * 60}, "sign-in name"),
        ({"name": "  "}, "name"),
        ({"name": "a\x07b"}, "name"),
        ({"role": "boss"}, "role"),
        ({"password": "short"}, "password"),
        ({"password": "x" * 201}, "password"),
    ],
)
def test_bad_people_are_refused_naming_the_field(
    floor: Floor, fields: dict[str, str], place: str
) -> None:
    good = {"login": "new", "name": "New One", "role": "lead", "password": PASSWORD}
    before = people.list_people(floor.shop, floor.admin)
    with pytest.raises(ServiceError) as caught:
        people.add_person(floor.shop, floor.admin, **{**good, **fields})
    assert caught.value.place == place
    assert people.list_people(floor.shop, floor.admin) == before


def test_only_an_admin_keeps_people_and_there_is_one_first(floor: Floor) -> None:
    for actor in (floor.tech, floor.lead):
        with pytest.raises(NotAllowedError):
            people.add_person(
                floor.shop, actor, login="x", name="x", role="lead", password=PASSWORD
            )
    with pytest.raises(ConflictError, match="already there"):
        people.first_admin(floor.shop, login="x", name="x", password=PASSWORD)


def test_ones_own_password(floor: Floor) -> None:
    token = enter(floor)
    with pytest.raises(ServiceError, match="not right"):
        people.change_own_password(floor.shop, floor.tech, old="wrong", new="a new long word")
    people.change_own_password(floor.shop, floor.tech, old=PASSWORD, new="a new long word")
    assert people.who(floor.shop, token) is None
    enter(floor, password="a new long word")


def test_nothing_of_a_password_is_in_the_trail(floor: Floor) -> None:
    people.add_person(
        floor.shop,
        floor.admin,
        login="new",
        name="New",
        role="lead",
        password="secret secret secret",
    )
    with floor.shop.database.read() as session:
        rows = session.scalars(select(AuditRow)).all()
    assert not any("secret" in r.detail or "argon2" in r.detail for r in rows)
