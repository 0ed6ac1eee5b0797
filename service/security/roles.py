"""Roles: named bundles of scopes, ``mappings/security/roles.json``."""

from functools import cache

import msgspec

from service.shipped import shipped

__all__ = ["Role", "roles"]


class Role(msgspec.Struct, frozen=True):
    """``scopes`` are separated by spaces. A ``personal`` role is a person's, never a system's."""

    title: str
    scopes: str
    personal: bool = False


@cache
def roles() -> dict[str, Role]:
    """Answer the roles by name."""
    text = shipped("mappings", "security", "roles.json").read_bytes()
    return msgspec.json.decode(text, type=dict[str, Role])
