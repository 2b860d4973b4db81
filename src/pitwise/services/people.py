"""People, roles, passwords, sign-in and sessions."""

from __future__ import annotations

import datetime as dt
import hashlib
import re
import secrets
from dataclasses import dataclass
from typing import cast, get_args

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError, VerifyMismatchError
from sqlalchemy import delete, func, select, update
from sqlalchemy.orm import Session

from pitwise.records.tables import FailedSignIn, Person, SignIn
from pitwise.services.errors import ConflictError, NotFoundError, ServiceError, ThrottledError
from pitwise.services.fields import clean_text
from pitwise.services.permissions import Actor, Role, require
from pitwise.services.shopfloor import Shop

# RFC 9106, section 4, second recommended option: Argon2id, t=3, p=4, m=64 MiB.
HASHER = PasswordHasher(time_cost=3, memory_cost=64 * 1024, parallelism=4)
SESSION_HOURS = 12
SHORTEST_PASSWORD = 10
_WINDOW = dt.timedelta(minutes=15)
_PER_LOGIN = 8
_PER_ADDRESS = 40
SYSTEM = Actor(None, "Pitwise", "admin")


@dataclass(frozen=True)
class PersonView:
    """A person as pages show them."""

    id: int
    login: str
    name: str
    role: Role
    active: bool
    created_at: dt.datetime


def _view(row: Person) -> PersonView:
    return PersonView(
        row.id, row.login, row.name, cast("Role", row.role), row.active, row.created_at
    )


def _check_password(password: str) -> str:
    if len(password) < SHORTEST_PASSWORD:
        raise ServiceError(
            "password",
            f"is shorter than {SHORTEST_PASSWORD} characters",
            "use a longer one; a short sentence is good",
        )
    if len(password) > 200:
        raise ServiceError("password", "is longer than 200 characters", "use a shorter one")
    return password


def _check_role(role: str) -> Role:
    if role not in get_args(Role):
        raise ServiceError("role", f"'{role[:20]}' is not a role", "use technician, lead or admin")
    return cast("Role", role)


def _check_login(login: str) -> str:
    text = clean_text("sign-in name", login, longest=40).casefold()
    if not re.fullmatch(r"[\w.\-]+", text):
        raise ServiceError(
            "sign-in name",
            "has a space or a sign in it",
            "use letters, digits, dots and hyphens",
        )
    return text


def has_people(shop: Shop) -> bool:
    """Tell whether anybody can sign in yet."""
    with shop.database.read() as session:
        return session.scalar(select(func.count()).select_from(Person)) != 0


def first_admin(shop: Shop, *, login: str, name: str, password: str) -> PersonView:
    """Add the first person, as admin; refused once there is anybody."""
    digest = HASHER.hash(_check_password(password))
    with shop.database.write() as session:
        if session.scalar(select(func.count()).select_from(Person)):
            raise ConflictError("people", "the first person is already there", "sign in")
        return _add(shop, session, SYSTEM, login, name, "admin", digest)


def add_person(
    shop: Shop, actor: Actor, *, login: str, name: str, role: str, password: str
) -> PersonView:
    """Add somebody who can sign in."""
    require(actor, "edit-people")
    digest = HASHER.hash(_check_password(password))
    with shop.database.write() as session:
        return _add(shop, session, actor, login, name, role, digest)


def _add(
    shop: Shop, session: Session, actor: Actor, login: str, name: str, role: str, digest: str
) -> PersonView:
    login = _check_login(login)
    if session.scalar(select(Person).where(Person.login == login)):
        raise ConflictError("sign-in name", f"'{login}' is taken", "choose another")
    row = Person(
        login=login,
        name=clean_text("name", name),
        role=_check_role(role),
        password_hash=digest,
        active=True,
        created_at=shop.clock(),
    )
    session.add(row)
    session.flush()
    shop.note(session, actor, "person-added", f"person {row.id}", login=login, role=row.role)
    return _view(row)


def list_people(shop: Shop, actor: Actor) -> list[PersonView]:
    """Return everybody, active first."""
    require(actor, "view")
    with shop.database.read() as session:
        rows = session.scalars(select(Person).order_by(Person.active.desc(), Person.name)).all()
        return [_view(r) for r in rows]


def change_person(
    shop: Shop,
    actor: Actor,
    person_id: int,
    *,
    role: str | None = None,
    active: bool | None = None,
    password: str | None = None,
) -> PersonView:
    """Change a role, switch somebody off or on, or set a new password.

    Any of these ends all of the person's sessions. The last active admin stays one.
    """
    require(actor, "edit-people")
    digest = HASHER.hash(_check_password(password)) if password is not None else None
    with shop.database.write() as session:
        row = session.get(Person, person_id)
        if row is None:
            raise NotFoundError("person", f"there is no person {person_id}", "choose from the list")
        changes: dict[str, object] = {}
        if role is not None and role != row.role:
            changes["role"] = row.role = _check_role(role)
        if active is not None and active != row.active:
            changes["active"] = row.active = active
        if digest is not None:
            row.password_hash = digest
            changes["new_password"] = True
        session.flush()
        admins = session.scalar(
            select(func.count())
            .select_from(Person)
            .where(Person.role == "admin", Person.active.is_(True))
        )
        if not admins:
            raise ConflictError(
                "role", "this is the last admin", "make somebody else an admin first"
            )
        if changes:
            _revoke_all(shop, session, row.id)
            shop.note(session, actor, "person-changed", f"person {row.id}", **changes)
        return _view(row)


def change_own_password(shop: Shop, actor: Actor, *, old: str, new: str) -> None:
    """Set one's own password; ends all of one's sessions."""
    require(actor, "sign-out")
    with shop.database.read() as session:
        row = session.get(Person, actor.person_id)
        stored = row.password_hash if row else ""
    if not _verified(stored, old):
        raise ServiceError("old password", "is not right", "type it again")
    digest = HASHER.hash(_check_password(new))
    with shop.database.write() as session:
        person = session.get(Person, actor.person_id)
        if person is None:
            raise NotFoundError("person", "is gone", "sign in again")
        person.password_hash = digest
        _revoke_all(shop, session, person.id)
        shop.note(session, actor, "password-changed", f"person {person.id}")


def _revoke_all(shop: Shop, session: Session, person_id: int) -> None:
    session.execute(
        update(SignIn)
        .where(SignIn.person_id == person_id, SignIn.revoked_at.is_(None))
        .values(revoked_at=shop.clock())
    )


def _token_hash(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()


def _verified(stored: str, password: str) -> bool:
    try:
        return HASHER.verify(stored, password[:200])
    except (VerifyMismatchError, VerificationError, InvalidHashError):
        return False


# Verified against when the account does not exist, so that time tells nothing.
_NOBODY = HASHER.hash(secrets.token_urlsafe(16))


def sign_in(shop: Shop, *, login: str, password: str, address: str) -> str:
    """Sign somebody in; returns the session's token, of which only a hash is kept.

    Raises
    ------
    ThrottledError
        Too many failures for this account or from this address in 15 minutes.
    ServiceError
        Name and password do not fit (the same answer for an unknown name).
    """
    login = login.strip().casefold()[:60]
    since = shop.clock() - _WINDOW
    with shop.database.read() as session:
        by_login = session.scalar(
            select(func.count())
            .select_from(FailedSignIn)
            .where(FailedSignIn.login == login, FailedSignIn.at > since)
        )
        by_address = session.scalar(
            select(func.count())
            .select_from(FailedSignIn)
            .where(FailedSignIn.address == address, FailedSignIn.at > since)
        )
        row = session.scalar(select(Person).where(Person.login == login))
    if (by_login or 0) >= _PER_LOGIN or (by_address or 0) >= _PER_ADDRESS:
        raise ThrottledError(
            "sign-in", "too many failed tries", "wait 15 minutes, or ask an admin for a new one"
        )
    fits = _verified(row.password_hash if row else _NOBODY, password)
    if row is None or not fits or not row.active:
        with shop.database.write() as session:
            session.execute(delete(FailedSignIn).where(FailedSignIn.at < since))
            session.add(FailedSignIn(login=login, address=address, at=shop.clock()))
        raise ServiceError(
            "sign-in", "name and password do not fit", "check both; capitals count in the password"
        )
    token = secrets.token_urlsafe(32)
    actor = Actor(row.id, row.name, cast("Role", row.role))
    with shop.database.write() as session:
        session.execute(delete(SignIn).where(SignIn.expires_at < since))
        session.execute(delete(FailedSignIn).where(FailedSignIn.login == login))
        session.add(
            SignIn(
                token_sha256=_token_hash(token),
                person_id=row.id,
                started_at=shop.clock(),
                expires_at=shop.clock() + dt.timedelta(hours=SESSION_HOURS),
                address=address,
            )
        )
        shop.note(session, actor, "signed-in", f"person {row.id}", address=address)
    return token


def who(shop: Shop, token: str) -> Actor | None:
    """Return who a session belongs to; None when it is unknown, over or revoked."""
    with shop.database.read() as session:
        row = session.get(SignIn, _token_hash(token))
        if row is None or row.revoked_at is not None or row.expires_at <= shop.clock():
            return None
        person = session.get(Person, row.person_id)
        if person is None or not person.active:
            return None
        return Actor(person.id, person.name, cast("Role", person.role))


def sign_out(shop: Shop, actor: Actor, token: str) -> None:
    """Revoke one session."""
    require(actor, "sign-out")
    with shop.database.write() as session:
        row = session.get(SignIn, _token_hash(token))
        if row is not None and row.revoked_at is None:
            row.revoked_at = shop.clock()
            shop.note(session, actor, "signed-out", f"person {actor.person_id}")
