"""What the definition of a value set says: which codes are in it, and whether one is (valueset.html).

Answers have three values: yes, no, and None where a code system or value set that it needs is not at hand.
"""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any, NamedTuple, Protocol

from service.fhir.code_grammars import GRAMMARS
from service.fhir.code_systems import CodeSystem, Concept, known_in
from service.fhir.json import Tree
from service.fhir.units import canonical

__all__ = ["Member", "Source", "fixed", "holds", "members"]

_DEEPEST = 8  # value sets made of value sets


class Source(Protocol):
    """Where the code systems and value sets come from that a definition names."""

    def code_system(self, url: str, /) -> CodeSystem | None:
        """The code system of this URL."""

    def value_set(self, canonical: str, /) -> Tree | None:
        """The value set of this canonical address."""


class Member(NamedTuple):
    """A code of a value set. ``listed`` is the definition's own element for it, ``concept`` the system's."""

    system: str
    code: str
    listed: Tree
    concept: Concept | None

    @property
    def display(self) -> str:
        """The definition's display, else the system's."""
        return str(self.listed.get("display") or (self.concept.display if self.concept else ""))


Members = dict[tuple[str, str], Member]
Holds = bool | None


def members(value_set: Tree, source: Source, depth: int = 0) -> Members | None:
    """Answer the codes of a value set by ``(system, code)`` in its order; None if they can't be listed."""
    if "compose" not in value_set:
        return {(one.system, one.code): one for one in _expanded(value_set, source)}
    found: Members = {}
    for part in _parts(value_set, "include"):
        listed = _listed(part, source, depth)
        if listed is None:
            return None
        found = found | {key: one for key, one in listed.items() if key not in found}
    for part in _parts(value_set, "exclude"):
        gone = _listed(part, source, depth)
        if gone is None:
            return None
        found = {key: one for key, one in found.items() if key not in gone}
    return found


def holds(value_set: Tree, system: str, code: str, source: Source, depth: int = 0) -> Holds:
    """Whether a value set has a code; an empty ``system`` is any. None if that can't be told."""
    if "compose" not in value_set:
        found = [one.code for one in _expanded(value_set, source) if system in {"", one.system}]
        return code in found
    included = _any(_has(part, system, code, source, depth) for part in _parts(value_set, "include"))
    if included is False:
        return False
    excluded = _any(_has(part, system, code, source, depth) for part in _parts(value_set, "exclude"))
    return _all((included, _not(excluded)))


def fixed(value_set: Tree, source: Source) -> bool:
    """Whether the codes that can be listed are all there are: none is of a system known in fragments."""
    parts = _parts(value_set, "include") if "compose" in value_set else ()
    inner = [source.value_set(address) for part in parts for address in part.get("valueSet", ())]
    systems = [
        source.code_system(part["system"]) for part in parts if "system" in part and "concept" not in part
    ]
    whole = all(one is not None and one.complete for one in systems)
    return whole and all(one is not None and fixed(one, source) for one in inner)


def _parts(value_set: Tree, kind: str) -> Sequence[Tree]:
    found: Sequence[Tree] = value_set["compose"].get(kind, ())
    return found


def _expanded(value_set: Tree, source: Source) -> Iterator[Member]:
    """The codes of an expansion that came with a value set without definition."""
    waiting = list(value_set.get("expansion", {}).get("contains", ()))
    while waiting:
        node = waiting.pop(0)
        waiting[:0] = node.get("contains", ())
        if "code" in node and not node.get("abstract"):
            system = node.get("system", "")
            yield _member(system, node["code"], node, source.code_system(system))


def _listed(part: Tree, source: Source, depth: int) -> Members | None:
    """The codes of one include or exclude: what its system gives and all its value sets have."""
    lists: list[Members | None] = [_of_system(part, source)] if "system" in part else []
    for address in part.get("valueSet", ()):
        inner = source.value_set(address) if depth < _DEEPEST else None
        lists.append(None if inner is None else members(inner, source, depth + 1))
    if not lists or None in lists:
        return None
    known = [one for one in lists if one is not None]
    return {key: one for key, one in known[0].items() if all(key in other for other in known)}


def _of_system(part: Tree, source: Source) -> Members | None:
    url = part["system"]
    system = source.code_system(url)
    if "concept" in part:
        found = [_member(url, one["code"], one, system) for one in part["concept"]]
    elif system is None or url in GRAMMARS:
        return None
    else:
        judged = [(_passes(part, system, one), one) for one in system.concepts.values() if one.selectable]
        if any(passes is None for passes, _ in judged):
            return None
        found = [Member(url, one.code, {}, one) for passes, one in judged if passes]
    return {(one.system, one.code): one for one in found}


def _member(url: str, code: str, listed: Tree, system: CodeSystem | None) -> Member:
    return Member(url, code, listed, system.concept(code) if system else None)


def _has(part: Tree, system: str, code: str, source: Source, depth: int) -> Holds:
    said: list[Holds] = [_system_has(part, system, code, source)] if "system" in part else []
    for address in part.get("valueSet", ()) if False not in said else ():
        inner = source.value_set(address) if depth < _DEEPEST else None
        said.append(None if inner is None else holds(inner, system, code, source, depth + 1))
    return _all(said) if said else None


def _system_has(part: Tree, system: str, code: str, source: Source) -> Holds:
    url = part["system"]
    if system not in {"", url}:
        return False
    known = source.code_system(url)
    concept = known.concept(code) if known else None
    if "concept" in part:
        return (concept.code if concept else code) in {one["code"] for one in part["concept"]}
    if known is None or concept is None:
        rules = (_measures(one, code) for one in part.get("filter", ()))
        return _all((known_in(url, known, code), *rules))
    return concept.selectable and _passes(part, known, concept)


def _measures(rule: Tree, code: str) -> Holds:
    """Whether a unit measures what the filter says: ``canonical = m`` are the units of length."""
    if (rule.get("property"), rule.get("op")) != ("canonical", "="):
        return None
    mine, wanted = canonical(1, code), canonical(1, rule["value"])
    return mine is not None and wanted is not None and mine[1] == wanted[1]


def _passes(part: Tree, system: CodeSystem, concept: Concept) -> Holds:
    return _all(_filtered(rule, system, concept) for rule in part.get("filter", ()))


def _filtered(rule: Tree, system: CodeSystem, concept: Concept) -> Holds:
    """Whether a concept passes a filter; None if it is not understood, as no regex is: one may never end."""
    name, op, value = rule.get("property", ""), rule.get("op", ""), rule.get("value", "")
    if name in {"concept", "code"}:
        return _by_place(op, value, system, concept)
    told = {str(one).lower() if isinstance(one, bool) else str(one) for one in _told(name, concept)}
    judged = {
        "=": value in told,
        "exists": (value == "true") == bool(told),
        "in": not told.isdisjoint(_words(value)),
        "not-in": told.isdisjoint(_words(value)),
    }
    return judged.get(op)


def _by_place(op: str, value: str, system: CodeSystem, concept: Concept) -> Holds:
    judged = {
        "=": lambda: concept.code == value,
        "is-a": lambda: system.subsumes(value, concept.code),
        "descendent-of": lambda: concept.code != value and system.subsumes(value, concept.code),
        "is-not-a": lambda: not system.subsumes(value, concept.code),
        "generalizes": lambda: system.subsumes(concept.code, value),
        "in": lambda: concept.code in _words(value),
        "not-in": lambda: concept.code not in _words(value),
    }
    return judged[op]() if op in judged else None


def _told(name: str, concept: Concept) -> Iterable[Any]:
    if name == "parent":
        return concept.parents
    return [one["code"] if isinstance(one, dict) else one for one in concept.values(name)]


def _words(value: str) -> set[str]:
    return {one.strip() for one in value.split(",")}


def _any(said: Iterable[Holds]) -> Holds:
    unsure = False
    for one in said:
        if one:
            return True
        unsure = unsure or one is None
    return None if unsure else False


def _all(said: Iterable[Holds]) -> Holds:
    return _not(_any(_not(one) for one in said))


def _not(said: Holds) -> Holds:
    return None if said is None else not said
