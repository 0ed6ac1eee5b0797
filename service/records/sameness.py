"""Whether two resources say the same, so that writing the second would add nothing."""

from decimal import Decimal
from typing import Any

from service.fhir.json import Tree

__all__ = ["same_content"]

_GENERATED = {"id", "meta", "text"}


def same_content(stored: Tree, new: Tree) -> bool:
    """Whether two resources are equal, leaving out id, meta and narrative.

    Numbers are equal when they are written alike: 72.50 is more precise than 72.5.
    """
    return _alike(_own(stored), _own(new))


def _own(resource: Tree) -> Tree:
    return {name: value for name, value in resource.items() if name not in _GENERATED}


def _alike(one: Any, other: Any) -> bool:
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(_alike(value, other[name]) for name, value in one.items())
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(_alike, one, other))
    if isinstance(one, Decimal) or isinstance(other, Decimal):
        return str(one) == str(other)
    return bool(one == other)
