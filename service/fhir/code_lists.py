"""The codes of a value set or below a code, where a stored resource lists them (FHIR R4 valueset.html)."""

from collections.abc import Callable, Iterator, Sequence
from typing import Any

from service.fhir.json import Tree
from service.fhir.search_query import TokenValue

__all__ = ["around", "codes_of"]


def codes_of(
    value_set: Tree, find: Callable[[str], Tree | None], depth: int = 0
) -> tuple[TokenValue, ...] | None:
    """Answer the codes of a value set, None where it does not list them (filters, sets that are not stored).

    ``find`` answers the stored value set of a canonical address. A whole code system is a value without code.
    """
    if "contains" in value_set.get("expansion", {}):
        return tuple(_contained(value_set["expansion"]["contains"]))
    compose = value_set.get("compose", {})
    found: list[TokenValue] = []
    for include in compose.get("include", ()) if depth < 5 else ():
        listed = _included(include, find, depth)
        if listed is None:
            return None
        found += listed
    without = [_included(exclude, find, depth) for exclude in compose.get("exclude", ())]
    if None in without or (without and any(value.code is None for value in found)):
        return None
    gone = {value for listed in without for value in listed or ()}
    return tuple(value for value in dict.fromkeys(found) if value not in gone) or None


def around(system: Tree, code: str, *, below: bool) -> tuple[str, ...]:
    """Answer a code and all below it (or above) in a code system's hierarchy; empty if it is not there."""
    path = _path(system.get("concept", ()), code)
    if not path:
        return ()
    return tuple(_codes([path[-1]])) if below else tuple(concept["code"] for concept in path)


def _included(include: Tree, find: Callable[[str], Tree | None], depth: int) -> list[TokenValue] | None:
    if "filter" in include or ("system" in include and "valueSet" in include):
        return None
    if "concept" in include:
        return [TokenValue(include.get("system", ""), concept["code"]) for concept in include["concept"]]
    if "system" in include:
        return [TokenValue(include["system"], None)]
    found: list[TokenValue] = []
    for address in include.get("valueSet", ()):
        inner = find(address)
        listed = codes_of(inner, find, depth + 1) if inner is not None else None
        if listed is None or found:  # several sets in one include mean what they have in common
            return None
        found += listed
    return found


def _contained(nodes: Sequence[Any]) -> Iterator[TokenValue]:
    for node in nodes:
        if "code" in node and not node.get("abstract"):
            yield TokenValue(node.get("system", ""), node["code"])
        yield from _contained(node.get("contains", ()))


def _path(concepts: Sequence[Any], code: str) -> list[Tree]:
    """The concepts from the top to the one of this code."""
    for concept in concepts:
        if concept["code"] == code:
            return [concept]
        if inner := _path(concept.get("concept", ()), code):
            return [concept, *inner]
    return []


def _codes(concepts: Sequence[Any]) -> Iterator[str]:
    for concept in concepts:
        yield concept["code"]
        yield from _codes(concept.get("concept", ()))
