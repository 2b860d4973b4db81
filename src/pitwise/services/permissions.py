"""Who may do what: one table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pitwise.services.errors import NotAllowedError

Role = Literal["technician", "lead", "admin"]
Permission = Literal[
    "anyone",
    "sign-out",
    "view",
    "inspect",
    "overrule",
    "overrule-limit",
    "fit-parts",
    "edit-shop",
    "edit-limits",
    "station-settings",
    "import-files",
    "fit-wear",
    "causes",
    "close-cause",
    "learning",
    "reading-ranges",
    "photos",
    "part-faces",
    "studies",
    "adopt-study",
    "practice",
    "shelf",
    "edit-shelf",
    "plan-work",
    "check-book",
    "edit-people",
]

ROLES: tuple[Role, ...] = ("technician", "lead", "admin")

_ALL: frozenset[Role] = frozenset(ROLES)
_LEADS: frozenset[Role] = frozenset({"lead", "admin"})

# 'anyone' is for pages that are open before sign-in.
TABLE: dict[Permission, frozenset[Role]] = {
    "anyone": _ALL,
    "sign-out": _ALL,
    "view": _ALL,
    "inspect": _ALL,
    "overrule": _ALL,
    "fit-parts": _ALL,
    "overrule-limit": _LEADS,
    "edit-shop": _LEADS,
    "edit-limits": _LEADS,
    "station-settings": _LEADS,
    "import-files": _ALL,
    "fit-wear": _LEADS,
    "causes": _ALL,
    "close-cause": _ALL,
    "learning": _LEADS,
    "reading-ranges": _LEADS,
    "photos": _ALL,
    "part-faces": _LEADS,
    "studies": _ALL,
    "adopt-study": _LEADS,
    "practice": _ALL,
    "shelf": _ALL,
    "edit-shelf": _LEADS,
    "plan-work": _LEADS,
    "check-book": _LEADS,
    "edit-people": frozenset({"admin"}),
}


@dataclass(frozen=True)
class Actor:
    """Who is doing it."""

    person_id: int | None
    name: str
    role: Role


def may(actor: Actor | None, action: Permission) -> bool:
    """Tell whether the actor may do the action; nobody signed in may only do 'anyone'."""
    if action == "anyone":
        return True
    return actor is not None and actor.role in TABLE[action]


def require(actor: Actor, action: Permission) -> None:
    """Raise NotAllowedError unless the actor may do the action."""
    if not may(actor, action):
        need = " or ".join(sorted(TABLE[action]))
        raise NotAllowedError(
            "your role", f"'{actor.role}' may not do this", f"ask somebody with the role {need}"
        )
