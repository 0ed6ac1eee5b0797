"""What is known of profiles, value sets and code systems: those of the guides loaded, ours, and R4's."""

from collections.abc import Iterable, Sequence
from functools import cached_property
from threading import RLock

from service.errors import IssueType, Severity
from service.fhir.code_systems import CodeSystem
from service.fhir.composition import Composition
from service.fhir.elements import STRUCTURES
from service.fhir.guides import Guide
from service.fhir.json import Tree
from service.fhir.validation.fault import Fault
from service.fhir.validation.profiles.base_types import own_profiles, published_profile, type_tree
from service.fhir.validation.profiles.compiled import Compiler
from service.fhir.validation.profiles.items import Item
from service.fhir.validation.profiles.nodes import Node, by_path, from_elements
from service.fhir.validation.profiles.rule import Check
from service.fhir.validation.profiles.scope import Scope
from service.fhir.validation.profiles.snapshot import DefinitionFault, extended, profiled
from service.fhir.validation.profiles.targets import Named
from service.fhir.value_sets import SHIPPED, member

__all__ = ["Definitions"]

# What walking a definition of another shape than R4's runs into.
_UNREADABLE = (ValueError, TypeError, LookupError, AttributeError, RecursionError)


class Definitions:
    """Answers definitions by canonical, with ``|version`` or without; the last guide loaded wins.

    Elements in full and checks are made on first use and kept, by one thread at a time.
    """

    def __init__(self, *guides: Guide) -> None:
        """Later guides win over earlier ones where both define the same canonical."""
        self._found: dict[str, dict[str, Tree]] = {}
        for guide in guides:
            self._add(guide.definitions)
        self._trees: dict[str, Node] = {}
        self._checks: dict[str, Check | None] = {}
        self._systems: dict[str, CodeSystem] = {}
        self._busy: set[str] = set()
        self._lock = RLock()

    def structure(self, canonical: str) -> Tree | None:
        """The StructureDefinition of this canonical; one of the guides, else one of ours or of R4."""
        found = self._of("StructureDefinition", canonical)
        return found or own_profiles().get(canonical) or published_profile(canonical)

    @cached_property
    def extensions(self) -> frozenset[str]:
        """The addresses of the extensions that guides and we define, beside R4's own."""
        known = {**own_profiles(), **self._found.get("StructureDefinition", {})}
        return frozenset(
            url for url, one in known.items() if one.get("type") == "Extension" and not published_profile(url)
        )

    def value_set(self, canonical: str, /) -> Tree | None:
        """The ValueSet of this canonical; one of the guides, else one that ships with R4."""
        return self._of("ValueSet", canonical) or SHIPPED.value_set(canonical)

    def code_system(self, url: str, /) -> CodeSystem | None:
        """The CodeSystem of this URL; one of the guides, else one that ships with R4."""
        if url not in self._systems:
            own = self._of("CodeSystem", url)
            found = CodeSystem(own) if own else SHIPPED.code_system(url)
            if found is None:
                return None
            self._systems[url] = found
        return self._systems[url]

    def form(self, canonical: str) -> Tree | None:
        """The Questionnaire of this canonical, if one of the guides has it."""
        return self._of("Questionnaire", canonical)

    def member(self, value_set: str, system: str, code: str) -> bool | None:
        """Whether a value set has a code, an empty ``system`` being any; None if that can't be told here."""
        own = self._of("ValueSet", value_set)
        if own is None:
            return member(value_set.partition("|")[0], system, code)
        return Composition(self).holds(own, system, code)

    def check(self, canonical: str) -> Check | None:
        """The compiled check of a profile; None if there is none, DefinitionFault if it can't be used."""
        if canonical in self._checks:
            return self._checks[canonical]
        with self._lock:
            if canonical not in self._checks:
                try:
                    self._checks[canonical] = self._compiled(canonical)
                except _UNREADABLE as error:
                    raise _as_fault(error, canonical) from None
            return self._checks[canonical]

    def all(self, type_: str) -> tuple[Tree, ...]:
        """Every definition of a type of resource, in the order of the guides."""
        known = self._found.get(type_, {})
        return tuple(one for name, one in known.items() if "|" not in name)

    def tree(self, canonical: str) -> Node:
        """The elements in full of a type (``Quantity``) or definition; DefinitionFault if there is none."""
        if canonical in self._trees:
            return self._trees[canonical]
        with self._lock:
            if canonical not in self._trees:
                self._trees[canonical] = self._made_once(canonical)
            return self._trees[canonical]

    def unusable(self, definition: Tree) -> str:
        """Why a profile's differential does not fit its base; empty if it does or the base is unknown."""
        base, differential = definition.get("baseDefinition"), definition.get("differential")
        elements = differential.get("element") if isinstance(differential, dict) else None
        if not isinstance(base, str) or not elements or not self._knows(base):
            return ""
        try:
            profiled(self.tree(base), map(by_path, elements), self.tree)
        except DefinitionFault as why:
            return str(why)
        except _UNREADABLE:
            return ""  # what is of the wrong kind is told where it stands
        return ""

    def _made_once(self, canonical: str) -> Node:
        if canonical in self._busy:
            raise DefinitionFault(f"{canonical} is built on itself")
        self._busy.add(canonical)
        try:
            return self._made(canonical)
        except _UNREADABLE as error:
            raise _as_fault(error, canonical) from None
        finally:
            self._busy.discard(canonical)

    def _compiled(self, canonical: str) -> Check | None:
        definition = self.structure(canonical)
        if definition is None or definition.get("derivation") != "constraint":
            return None
        title = str(definition.get("title") or definition.get("name") or definition["url"])
        compiler = Compiler(title, definition["url"], self.tree, self.member, self._named)
        return compiler.root(self.tree(canonical), definition["type"])

    def _named(self, canonical: str) -> Named:
        """A profile that another one names; compiled when something is held against it."""
        definition = self.structure(canonical)
        if definition is None:
            known = type_tree(canonical.partition("|")[0].removeprefix(STRUCTURES))
            return Named(canonical, known.name, _right) if known else Named(canonical, "", None)
        if definition["type"] == "Extension" and published_profile(canonical):
            return Named(canonical, "Extension", _right)  # looked at wherever it stands

        def check(item: Item, scope: Scope) -> Sequence[Fault]:
            try:
                compiled = self.check(canonical) or _right
            except DefinitionFault as why:
                text = f"The profile {canonical} can't be used: {why}."
                code, severity = IssueType.NOT_SUPPORTED, Severity.INFORMATION
                return (Fault(item.path, text, code, canonical, severity),)
            return compiled(item, scope)

        return Named(canonical, definition["type"], check)

    def _made(self, canonical: str) -> Node:
        definition = self.structure(canonical if "/" in canonical else STRUCTURES + canonical)
        if definition is not None:
            return self._elements(definition)
        made = type_tree(canonical.partition("|")[0].removeprefix(STRUCTURES))
        if made is None:
            raise DefinitionFault(f"the definition {canonical} is not known here")
        return made

    def _elements(self, definition: Tree) -> Node:
        differential = definition.get("differential", {}).get("element")
        base = definition.get("baseDefinition")
        given = definition.get("snapshot", {}).get("element")
        if given and not (differential and base and self._knows(base)):
            return from_elements(given)
        if not base or not differential:
            raise DefinitionFault(f"{definition['url']} has neither elements nor a base")
        if definition.get("derivation") == "specialization":
            return extended(self.tree(base), definition["type"], differential, self.tree)
        return profiled(self.tree(base), differential, self.tree)

    def _knows(self, canonical: str) -> bool:
        try:
            self.tree(canonical)
        except DefinitionFault:
            return False
        return True

    def _add(self, definitions: Iterable[Tree]) -> None:
        for one in definitions:
            known = self._found.setdefault(one["resourceType"], {})
            known[one["url"]] = one
            if isinstance(version := one.get("version"), str):
                known[f"{one['url']}|{version}"] = one

    def _of(self, type_: str, canonical: str) -> Tree | None:
        return self._found.get(type_, {}).get(canonical.partition("#")[0])


def _right(_: Item, __: Scope) -> Sequence[Fault]:
    return ()


def _as_fault(error: Exception, canonical: str) -> DefinitionFault:
    if isinstance(error, DefinitionFault):
        return error
    return DefinitionFault(f"{canonical[:300]} is not written as R4 wants it ({type(error).__name__})")
