"""Code systems: concepts, their hierarchy, and those that travel with the program (codesystem.html)."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, cached_property, lru_cache
from typing import Any

from service.fhir.code_grammars import told_by_form
from service.fhir.json import Tree, reread
from service.fhir.terminology_files import texts

__all__ = [
    "SNOMED",
    "CodeSystem",
    "Concept",
    "LargeCodeSystem",
    "in_language",
    "known_code",
    "known_display",
    "known_in",
    "memorable",
    "shipped_code_system",
]

SNOMED = "http://snomed.info/sct"
_LONGEST = 200
_INACTIVE = frozenset({"retired", "inactive", "deprecated"})


@dataclass(frozen=True, slots=True)
class Concept:
    """A concept of a code system: its own element, and the codes right above it."""

    tree: Tree
    parents: tuple[str, ...]

    @property
    def code(self) -> str:
        """The code."""
        return str(self.tree["code"])

    @property
    def display(self) -> str:
        """The display; the code where there is none."""
        return str(self.tree.get("display", self.code))

    def translated(self, language: str) -> str:
        """The first designation in a language, empty if there is none."""
        return in_language(self.tree.get("designation", ()), language)

    @property
    def abstract(self) -> bool:
        """Whether it only groups others and can't be selected itself."""
        return True in self.values("notSelectable")

    @property
    def selectable(self) -> bool:
        """Whether a value set that takes its whole system has it: not abstract, not deprecated."""
        deprecated = "deprecated" in self.codes("status") or self.values("deprecationDate")
        return not self.abstract and not deprecated

    @property
    def active(self) -> bool:
        """Whether it is to be used further."""
        return True not in self.values("inactive") and _INACTIVE.isdisjoint(self.codes("status"))

    def values(self, name: str) -> tuple[Any, ...]:
        """The values of a property."""
        if "property" not in self.tree:
            return ()
        told = [one for one in self.tree["property"] if one.get("code") == name]
        return tuple(value for one in told for key, value in one.items() if key.startswith("value"))

    def codes(self, name: str) -> tuple[str, ...]:
        """The values of a property that are codes or texts."""
        return tuple(value for value in self.values(name) if isinstance(value, str))


class CodeSystem:
    """A CodeSystem resource, its concepts by code."""

    def __init__(self, tree: Tree) -> None:
        """Read the resource's concepts, whatever their depth."""
        self.tree = tree
        self.concepts: Mapping[str, Concept] = _with_children(dict(_concepts(tree.get("concept", ()), ())))
        # CodeSystem.caseSensitive: where nothing is said, codes are accepted in any case.
        sensitive = tree.get("caseSensitive", False)
        self._folded = {} if sensitive else {code.casefold(): code for code in reversed(self.concepts)}

    @property
    def url(self) -> str:
        """The system of its codes."""
        return str(self.tree.get("supplements", self.tree.get("url", "")))

    @property
    def complete(self) -> bool:
        """Whether a code that is not listed does not exist."""
        return bool(self.tree.get("content") == "complete")

    @property
    def supplement(self) -> bool:
        """Whether it only says more about some codes of a system that is not here."""
        return bool(self.tree.get("content") == "supplement")

    def concept(self, code: str) -> Concept | None:
        """Answer the concept of a code, in any case where the system does not insist on it."""
        found = self.concepts.get(code)
        return found or self.concepts.get(self._folded.get(code.casefold(), ""))

    def has(self, code: str) -> bool | None:
        """Whether it is one of the codes; None if only some are listed and it is not among them."""
        if self.concept(code) is not None:
            return True
        return False if self.complete else None

    def subsumes(self, upper: str, lower: str) -> bool:
        """Whether one code is above another, or the same."""
        return upper in self.above(lower)

    def above(self, code: str) -> tuple[str, ...]:
        """Answer a code and all above it, the nearest first; empty if there is no such code."""
        return tuple(self._walk(code, lambda one: self.concepts[one].parents))

    def below(self, code: str) -> tuple[str, ...]:
        """Answer a code and all below it, in the order of the system; empty if there is no such code."""
        found = self._walk(code, self.children)
        return tuple(one for one in self.concepts if one in found)

    def children(self, code: str) -> Sequence[str]:
        """Answer the codes right below a code."""
        return self._children.get(code, ())

    @cached_property
    def _children(self) -> dict[str, list[str]]:
        children: dict[str, list[str]] = {}
        for concept in self.concepts.values():
            for parent in concept.parents:
                children.setdefault(parent, []).append(concept.code)
        return children

    def _walk(self, code: str, onwards: Callable[[str], Iterable[str]]) -> dict[str, None]:
        """Everything that is reached from a code, once, the nearest first."""
        found: dict[str, None] = {}
        waiting = [code]
        while waiting:
            here = [one for one in dict.fromkeys(waiting) if one in self.concepts and one not in found]
            found |= dict.fromkeys(here)
            waiting = [further for one in here for further in onwards(one)]
        return found


class LargeCodeSystem(CodeSystem):
    """One whose concepts are asked for one by one, since going through all of them would take too long."""

    def matching(self, words: Sequence[str], top: str = "") -> Sequence[Concept]:
        """Answer the concepts with all these words (in lower case) in code or display.

        ``top``: only this one and those below it. TooManyCodes if there are very many.
        """
        raise NotImplementedError


def in_language(designations: Iterable[Tree], language: str) -> str:
    """The first of several designations in a language, empty if there is none."""
    found = (
        str(one.get("value", "")) for one in designations if language and one.get("language") == language
    )
    return next(found, "")


def known_code(system: str, code: str) -> bool | None:
    """Whether a system has a code; None if that can't be told from what ships (SNOMED CT, LOINC, ...)."""
    return (_remembered if memorable(system, code) else _known)(system, code)


def known_display(system: str, code: str) -> str:
    """The display that a system which ships in full has for a code; empty if it has none, or is not here."""
    return (_remembered_display if memorable(system, code) else _display)(system, code)


def _display(system: str, code: str) -> str:
    known = shipped_code_system(system)
    concept = known.concept(code) if known and known.complete else None
    return str(concept.tree.get("display", "")) if concept else ""


_remembered_display = lru_cache(maxsize=8_192)(_display)


def memorable(system: str, code: str) -> bool:
    """Whether an answer may be remembered: no code is as long as what would fill the memory."""
    return len(code) <= _LONGEST and len(system) <= _LONGEST


def _known(system: str, code: str) -> bool | None:
    return known_in(system, shipped_code_system(system), code)


_remembered = lru_cache(maxsize=8_192)(_known)


def known_in(url: str, system: CodeSystem | None, code: str) -> bool | None:
    """Whether a code is one of a system of which more or less is at hand."""
    told = told_by_form(url, code)
    return system.has(code) if told is None and system else told


def shipped_code_system(url: str) -> CodeSystem | None:
    """Answer a code system that ships; None if there is none of this URL."""
    return _shipped(url) if url in texts("CodeSystem") else None


@cache
def _shipped(url: str) -> CodeSystem:
    return CodeSystem(reread(texts("CodeSystem")[url]))


def _concepts(trees: Sequence[Tree], parents: tuple[str, ...]) -> Iterator[tuple[str, Concept]]:
    for tree in trees:  # an extension may stand for a code
        if "code" in tree:
            yield tree["code"], Concept(tree, parents)
        yield from _concepts(tree.get("concept", ()), (tree["code"],) if "code" in tree else parents)


def _with_children(concepts: dict[str, Concept]) -> dict[str, Concept]:
    """Parents that are told by ``child`` and ``parent`` properties too, where a concept has several."""
    more: dict[str, list[str]] = {}
    for concept in concepts.values():
        for child in concept.codes("child"):
            more.setdefault(child, []).append(concept.code)
        if told := concept.codes("parent"):
            more.setdefault(concept.code, []).extend(told)
    for code, parents in more.items():
        if code in concepts:
            known = concepts[code]
            concepts[code] = Concept(known.tree, tuple(dict.fromkeys((*known.parents, *parents))))
    return concepts
