"""Whom resources of each type belong to: the written policy for callers who do not reach everybody.

``mappings/security/types.json`` names every type once:

    owned     about one patient; reached with that patient, by nobody else if about several or none
    shared    about no patient; read with the scope, written by nobody who is confined
    unnamed   shared as long as no patient is named
    context   a file that is reached with the resource its security context names
    beyond    about several patients, or of nobody's care
    service   about the service itself; reached by ``system/`` alone, whoever else reaches everybody

A type that is not in it is beyond.
"""

from functools import cache
from typing import Literal

import msgspec

from service.shipped import shipped

__all__ = ["Ownership", "ownership", "policy"]

Ownership = Literal["owned", "shared", "unnamed", "context", "beyond", "service"]
_KINDS: tuple[Ownership, ...] = ("owned", "shared", "unnamed", "context", "beyond", "service")


@cache
def policy() -> dict[str, Ownership]:
    """Answer the table."""
    table = msgspec.json.decode(shipped("mappings", "security", "types.json").read_bytes())
    return {type_: kind for kind in _KINDS for type_ in table[kind]}


def ownership(type_: str) -> Ownership:
    """Answer whom resources of a type belong to; beyond for a type nobody has thought of."""
    return policy().get(type_, "beyond")
