"""What the definition of a value set says: which codes are in it, and whether one is (valueset.html).

Answers have three values: yes, no, and None where a code system or value set that it needs is not at hand.
"""

from collections.abc import Callable, Iterator, Sequence
from typing import Literal, NamedTuple, Protocol

from service.errors import TooManyCodes
from service.fhir.code_filters import Filters
from service.fhir.code_grammars import GRAMMARS
from service.fhir.code_systems import CodeSystem, Concept, LargeCodeSystem, known_in
from service.fhir.json import Tree
from service.fhir.three_valued import Holds, all_of, any_of, not_

__all__ = ["Composition", "Member", "Members", "Question", "Source"]

_MOST = 100_000  # concepts looked at for one answer
_BELOW = frozenset({"is-a", "descendent-of"})


class Source(Protocol):
    """Where the code systems and value sets come from that a definition names."""

    def code_system(self, url: str, /) -> CodeSystem | None:
        """The code system of this URL."""

    def value_set(self, canonical: str, /) -> Tree | None:
        """The value set of this canonical address."""


class Question(NamedTuple):
    """What can't be told from what is at hand, so that somebody else may be asked.

    Whether a system ``has`` a code, whether the code ``is-a`` kind of another (``of``), or whether it is
    ``in`` a value set (the address ``of``).
    """

    kind: Literal["has", "is-a", "in"]
    system: str
    code: str
    of: str = ""


Told = Callable[[Question], Holds]
"""What somebody else has said."""


class Member(NamedTuple):
    """A code of a value set. ``listed`` is the definition's own element for it, ``concept`` the system's."""

    system: str
    code: str
    listed: Tree
    concept: Concept | None

    @property
    def display(self) -> str:
        """The definition's display, else the system's; empty if neither shows one."""
        return str(self.listed.get("display") or (self.concept.display if self.concept else ""))


Members = dict[tuple[str, str], Member]
"""Codes by ``(system, code)``, in the order of the definition."""


class Composition:
    """Value sets over one source. ``missing`` names what was needed and is not at hand."""

    def __init__(
        self,
        source: Source,
        *,
        abstract: bool = False,
        words: Sequence[str] = (),
        told: Told = lambda _: None,
    ) -> None:
        """Remember answers per address, so that sets made of sets are worked out once.

        ``abstract``: codes that only group others count as codes. ``words``: of large code systems only codes
        with all of these in code or display are listed, as others are not looked for. ``told`` is asked about
        single codes where nothing else tells.
        """
        self.source = source
        self._abstract = abstract
        self.missing: dict[str, None] = {}
        self._words = tuple(words)
        self._told = told
        self._lists: dict[tuple[str, bool], Members | None] = {}
        self._filters = Filters()
        self._seen = 0

    def members(self, value_set: Tree) -> Members | None:
        """Answer the codes; None if they can't be listed. TooManyCodes if that would take too long."""
        return self._members(value_set, self._words)

    def _members(self, value_set: Tree, words: tuple[str, ...]) -> Members | None:
        if "compose" not in value_set:
            return {(one.system, one.code): one for one in self._expanded(value_set)}
        found: Members = {}
        for part in _parts(value_set, "include"):
            listed = self._listed(part, words)
            if listed is None:
                return None
            for key, one in listed.items():
                found.setdefault(key, one)
        for part in _parts(value_set, "exclude"):
            gone = self._listed(part)
            if gone is None:
                return None
            found = {key: one for key, one in found.items() if key not in gone}
        if value_set["compose"].get("inactive") is False:
            return {key: one for key, one in found.items() if not one.concept or one.concept.active}
        return found

    def holds(self, value_set: Tree, system: str, code: str) -> Holds:
        """Whether a value set has a code; an empty ``system`` is any. None if that can't be told."""
        return self._holds(value_set, system, code, {})

    def closed(self, value_set: Tree) -> bool:
        """Whether the codes that can be listed are all there are: none is of a system known in part."""
        parts = _parts(value_set, "include") if "compose" in value_set else ()
        inner = [self.source.value_set(address) for part in parts for address in _sets(part)]
        wholes = [part["system"] for part in parts if "system" in part and "concept" not in part]
        systems = [self.source.code_system(url) for url in wholes]
        whole = all(one is not None and one.complete for one in systems)
        return whole and all(one is not None and self.closed(one) for one in inner)

    def _listed(self, part: Tree, words: tuple[str, ...] = ()) -> Members | None:
        """The codes of one include or exclude: what its system gives and all its value sets have."""
        addresses = _sets(part)
        if len(addresses) + ("system" in part) > 1:  # they may show the same code in different words
            words = ()
        lists = [self._of_system(part, words)] if "system" in part else []
        lists += [self._at(address, words) for address in addresses]
        known = [one for one in lists if one is not None]
        if not known or len(known) < len(lists):
            return None
        return {key: one for key, one in known[0].items() if all(key in other for other in known)}

    def _at(self, address: str, words: tuple[str, ...]) -> Members | None:
        key = address, bool(words)
        if key not in self._lists:
            self._lists[key] = None  # a set that is part of itself can't be listed
            value_set = self._value_set(address)
            self._lists[key] = self._members(value_set, words) if value_set is not None else None
        return self._lists[key]

    def _of_system(self, part: Tree, words: tuple[str, ...]) -> Members | None:
        url = part["system"]
        system = self.source.code_system(url)
        if "concept" in part:
            self._spend(len(part["concept"]))
            found = [_member(url, one["code"], one, system) for one in _coded(part)]
        elif system is None or system.supplement:
            self.missing |= {} if url in GRAMMARS else {url: None}
            return None
        else:
            part, all_ = self._candidates(part, system, words)
            judged = [self._filters.passes(part, system, one) for one in all_]
            if None in judged and system.complete:
                return None
            found = [Member(url, one.code, {}, one) for one, yes in zip(all_, judged, strict=True) if yes]
        return {(one.system, one.code): one for one in found}

    def _candidates(
        self, part: Tree, system: CodeSystem, words: tuple[str, ...]
    ) -> tuple[Tree, list[Concept]]:
        """The concepts that may pass, and what is left to be judged of the part.

        Of a large system only what stands below a code or has the words: the first such filter is answered
        by asking for just that.
        """
        if isinstance(system, LargeCodeSystem):
            rules = part.get("filter", [])
            tops = [rule for rule in rules if rule.get("property") == "concept" and rule.get("op") in _BELOW]
            top = str(tops[0].get("value", "")) if tops else ""
            found = system.matching(words, top)
            left = [rule for rule in rules if rule not in tops[:1]]
            part = {**part, "filter": left}
            if tops and tops[0]["op"] == "descendent-of":
                found = [one for one in found if one.code != top]
        else:
            found = tuple(system.concepts.values())
        self._spend(len(found))
        return part, [one for one in found if self._takes(one)]

    def _takes(self, concept: Concept) -> bool:
        return concept.selectable or (self._abstract and concept.abstract)

    def _spend(self, concepts: int) -> None:
        self._seen += concepts + 1
        if self._seen > _MOST:
            raise TooManyCodes(
                f"This needs more than {_MOST} concepts to be looked at; ask for a smaller set."
            )

    def _value_set(self, address: str) -> Tree | None:
        found = self.source.value_set(address)
        if found is None:
            self.missing[address] = None
        return found

    def _expanded(self, value_set: Tree) -> Iterator[Member]:
        """The codes of an expansion that came with a value set without definition."""
        waiting = list(reversed(value_set.get("expansion", {}).get("contains", ())))
        while waiting:
            node = waiting.pop()
            waiting += reversed(node.get("contains", ()))
            if "code" in node and "system" in node and not node.get("abstract"):
                system = node["system"]
                yield _member(system, node["code"], node, self.source.code_system(system))

    def _holds(self, value_set: Tree, system: str, code: str, known: dict[str, Holds]) -> Holds:
        if "compose" not in value_set:
            return code in {one.code for one in self._expanded(value_set) if system in {"", one.system}}
        parts = _parts(value_set, "include")
        included = any_of(self._part_has(part, system, code, known) for part in parts)
        if included is False:
            return False
        parts = _parts(value_set, "exclude")
        return all_of((included, not_(any_of(self._part_has(part, system, code, known) for part in parts))))

    def _part_has(self, part: Tree, system: str, code: str, known: dict[str, Holds]) -> Holds:
        said: list[Holds] = [self._system_has(part, system, code)] if "system" in part else []
        for address in _sets(part) if False not in said else ():
            if address not in known:
                known[address] = None
                inner = self._value_set(address)
                known[address] = (
                    self._told(Question("in", system, code, address))
                    if inner is None
                    else self._holds(inner, system, code, known)
                )
            said.append(known[address])
        return all_of(said) if said else None

    def _system_has(self, part: Tree, system: str, code: str) -> Holds:
        url = part["system"]
        if system not in {"", url}:
            return False
        known = self.source.code_system(url)
        concept = known.concept(code) if known else None
        if "concept" in part:
            self._spend(len(part["concept"]))
            return (concept.code if concept else code) in {one["code"] for one in _coded(part)}
        if known is not None and concept is not None:
            passes = self._filters.passes(part, known, concept)
            return self._takes(concept) and (self._passes(part, code) if passes is None else passes)
        said = known_in(url, known, code)
        if said is None:
            said = self._told(Question("has", url, code))
        if said is None:
            self.missing[url] = None
        rules = self._filters.of_units(part, code) if url in GRAMMARS else (self._passes(part, code),)
        return all_of((said, *rules))

    def _passes(self, part: Tree, code: str) -> Holds:
        """Whether a code passes the filters, as far as somebody else tells what is above it."""
        return all_of(self._passes_rule(part["system"], rule, code) for rule in part.get("filter", ()))

    def _passes_rule(self, url: str, rule: Tree, code: str) -> Holds:
        op, value = str(rule.get("op")), rule.get("value")
        if rule.get("property") != "concept" or not isinstance(value, str):
            return None
        if op in _BELOW and value == code:
            return op == "is-a"
        said = self._told(Question("is-a", url, code, value)) if op in {*_BELOW, "is-not-a"} else None
        return not_(said) if op == "is-not-a" else said


def _parts(value_set: Tree, kind: str) -> Sequence[Tree]:
    found: Sequence[Tree] = value_set["compose"].get(kind, ())
    return found


def _sets(part: Tree) -> list[str]:
    """The value sets of an include; an extension may stand for an address."""
    return [one for one in part.get("valueSet", ()) if one is not None]


def _coded(part: Tree) -> list[Tree]:
    return [one for one in part["concept"] if "code" in one]


def _member(url: str, code: str, listed: Tree, system: CodeSystem | None) -> Member:
    return Member(url, code, listed, system.concept(code) if system else None)
