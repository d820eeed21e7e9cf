"""Who may do what: one list of permissions, roles as plain data, one decorator that every view carries."""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from typing import Any, TypeVar


class Permission(StrEnum):
    """What a page may need."""

    PUBLIC = "public"  # nobody need be signed in
    SIGNED_IN = "signed_in"  # a signed-in device is enough, also before a person has given the PIN
    VIEW = "view"
    LOG_VISIT = "log_visit"
    SIGN_VISIT = "sign_visit"
    AMEND_VISIT = "amend_visit"
    ENTER_COUNTS = "enter_counts"
    ENTER_WALL = "enter_wall"
    TRACE = "trace"
    FOLLOW_UP = "follow_up"  # say what was found behind a signal or a problem that comes back
    PLAN = "plan"
    SET_UP = "set_up"
    PEOPLE = "people"
    HISTORY = "history"
    ADMINISTER = "administer"


class Role(StrEnum):
    """What a person is in the plant."""

    MECHANIC = "mechanic"
    MANAGER = "manager"
    QUALITY = "quality"
    VIEWER = "viewer"
    ADMINISTRATOR = "administrator"


P = Permission

ROLES: dict[Role, frozenset[Permission]] = {
    Role.VIEWER: frozenset({P.VIEW}),
    Role.MECHANIC: frozenset({P.VIEW, P.LOG_VISIT, P.SIGN_VISIT, P.AMEND_VISIT, P.ENTER_WALL, P.FOLLOW_UP}),
    Role.QUALITY: frozenset({P.VIEW, P.ENTER_COUNTS, P.ENTER_WALL, P.TRACE, P.FOLLOW_UP, P.HISTORY}),
    Role.MANAGER: frozenset(
        {
            P.VIEW,
            P.LOG_VISIT,
            P.SIGN_VISIT,
            P.AMEND_VISIT,
            P.ENTER_COUNTS,
            P.ENTER_WALL,
            P.TRACE,
            P.FOLLOW_UP,
            P.PLAN,
            P.SET_UP,
            P.PEOPLE,
            P.HISTORY,
        }
    ),
    Role.ADMINISTRATOR: frozenset(Permission),
}

View = TypeVar("View", bound=Callable[..., Any])


def needs(permission: Permission) -> Callable[[View], View]:
    """Say which permission a view needs; the access middleware refuses every view that says none."""

    def mark(view: View) -> View:
        vars(view)["permission"] = permission
        return view

    return mark


def permission_of(view: Callable[..., Any]) -> Permission | None:
    """Return the permission that a view names; None where it names none."""
    found: Permission | None = getattr(view, "permission", None)
    return found


def may(user: Any, permission: Permission) -> bool:
    """Say whether this person (or nobody, before sign-in) has the permission."""
    if permission is Permission.PUBLIC:
        return True
    if not getattr(user, "is_authenticated", False):
        # A shared tablet before the PIN is nobody, on a device that is signed in.
        return permission is Permission.SIGNED_IN and getattr(user, "on_device", False)
    if permission is Permission.SIGNED_IN:
        return True
    role = getattr(user, "role", "")
    return role in ROLES and permission in ROLES[Role(role)]
