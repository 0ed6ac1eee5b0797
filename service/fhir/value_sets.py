"""The value sets that travel with the program, R4's and ours: their codes, and whether a code is in one.

URLs are without ``|version``.
"""

from collections.abc import Mapping
from functools import cache, lru_cache
from typing import NamedTuple

from service.fhir.code_systems import CodeSystem, memorable, shipped_code_system
from service.fhir.composition import Composition
from service.fhir.json import Tree, reread
from service.fhir.terminology_files import texts

__all__ = ["SHIPPED", "Shipped", "codes", "is_value_set", "member", "shipped_value_set"]


class Shipped:
    """The source of code systems and value sets that needs no store."""

    def code_system(self, url: str, /) -> CodeSystem | None:
        """A code system that ships."""
        return shipped_code_system(url)

    def value_set(self, canonical: str, /) -> Tree | None:
        """A value set that ships, whatever version is asked for."""
        return shipped_value_set(canonical.partition("|")[0])


SHIPPED = Shipped()


class _Table(NamedTuple):
    """The codes of a set that can be listed; ``closed`` if there are no others."""

    all: frozenset[str]
    by_system: Mapping[str, frozenset[str]]
    closed: bool


def shipped_value_set(url: str) -> Tree | None:
    """Answer a value set that ships; None if there is none of this URL."""
    return _shipped(url) if url in texts("ValueSet") else None


def is_value_set(url: str) -> bool:
    """Whether it is the address of a value set that ships."""
    return url in texts("ValueSet")


def codes(url: str) -> frozenset[str] | None:
    """Answer every code of a value set, whatever its system; None if they can't be listed here."""
    table = _table(url) if url in texts("ValueSet") else None
    return table.all if table and table.closed else None


def member(url: str, system: str, code: str) -> bool | None:
    """Whether a value set has a code; an empty ``system`` is any. None if what ships does not tell."""
    return (_remembered if memorable(system, code) else _member)(url, system, code)


def _member(url: str, system: str, code: str) -> bool | None:
    if url not in texts("ValueSet"):
        return None
    table = _table(url)
    listed = table is not None and code in (table.by_system.get(system, ()) if system else table.all)
    return listed or Composition(SHIPPED).holds(_shipped(url), system, code)


_remembered = lru_cache(maxsize=8_192)(_member)


@cache
def _shipped(url: str) -> Tree:
    return reread(texts("ValueSet")[url])


@cache
def _table(url: str) -> _Table | None:
    tree = _shipped(url)
    composition = Composition(SHIPPED)
    listed = composition.members(tree)
    if listed is None:
        return None
    systems = {system for system, _ in listed}
    by_system = {one: frozenset(code for system, code in listed if system == one) for one in systems}
    return _Table(frozenset().union(*by_system.values()), by_system, composition.closed(tree))
