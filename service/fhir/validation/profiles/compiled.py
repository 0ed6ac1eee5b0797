"""A profile compiled to one function: what it adds to its type, nothing of what holds anyway."""

from collections.abc import Iterator, Sequence

from service.errors import IssueType
from service.fhir.validation.fault import Fault
from service.fhir.validation.profiles.codes import MemberOf, binding_checks
from service.fhir.validation.profiles.constraints import constraints
from service.fhir.validation.profiles.discriminators import Matching
from service.fhir.validation.profiles.elementary import elementary
from service.fhir.validation.profiles.items import Item, gatherer
from service.fhir.validation.profiles.nodes import Node
from service.fhir.validation.profiles.occurrence import most_of, occurrence
from service.fhir.validation.profiles.rule import Check, ListCheck, Rule
from service.fhir.validation.profiles.scope import Scope
from service.fhir.validation.profiles.slicing import DEFAULT, Slice, sliced
from service.fhir.validation.profiles.snapshot import RootOf, parts
from service.fhir.validation.profiles.targets import CheckerOf, profile_checks, target_check

__all__ = ["Compiler"]


class Compiler:
    """Compiles one definition; DefinitionFault from ``root`` if it can't be used."""

    def __init__(
        self, title: str, url: str, root_of: RootOf, member: MemberOf, checker_of: CheckerOf
    ) -> None:
        """``title`` and ``url`` are those of the definition, the rest is how it finds what it names."""
        self._title = title
        self._url = url
        self._root_of = root_of
        self._member = member
        self._checker_of = checker_of
        self._matching = Matching(root_of, member, checker_of, self._beyond_its_type)

    def root(self, node: Node, type_: str) -> Check:
        """Answer the check of a whole resource or value of the type."""
        checks = self._element(node, self._root_of(type_), node.name)
        rule = Rule(self._title, self._url, node.name)

        def check(item: Item, scope: Scope) -> list[Fault]:
            value = item.value
            if isinstance(value, dict) and "resourceType" in value:
                if item.type != type_:
                    text = f"The profile is for {type_}, not for {item.type[:64]}."
                    return [rule.fault(item.path, text, IssueType.STRUCTURE)]
                scope = scope if value is scope.resource else scope.within(value)
            turn = (id(value), self._url)
            if turn in scope.busy:  # a profile that leads back to itself is being looked at already
                return []
            scope.busy.add(turn)
            try:
                return [fault for one in checks for fault in one(item, scope)]
            finally:
                scope.busy.discard(turn)

        return check

    def _element(self, node: Node, against: Node, id_: str) -> tuple[Check, ...]:
        """The checks of one value of an element."""
        rule = Rule(self._title, self._url, id_)
        return (
            *elementary(rule, node, against),
            *binding_checks(rule, node, against, self._member),
            *target_check(rule, node, against, self._checker_of),
            *profile_checks(rule, node, against, self._checker_of),
            *constraints(rule, node, against),
            *self._children(node, against, id_),
        )

    def _children(self, node: Node, against: Node, id_: str) -> Iterator[Check]:
        if not node.children:
            return
        before = parts(self._comparable(node, against), self._root_of)
        for name, one in node.children.items():
            if name in before and (check := self._child(one, before[name], f"{id_}.{name}")):
                yield check

    def _comparable(self, node: Node, against: Node) -> Node:
        """What the children are compared with: a type that was narrowed has children of its own."""
        if node.types == against.types or len(node.types) != 1:
            return against
        return self._root_of(node.types[0])

    def _child(self, node: Node, against: Node, id_: str) -> Check | None:
        """The check of all values of a child in what it is part of, None if nothing is added."""
        rule = Rule(self._title, self._url, id_)
        number = occurrence(rule, node, against)
        lists = [*((number,) if number else ()), *self._slices(node, against, id_)]
        checks = self._element(node, against, id_)
        if not lists and not checks:
            return None
        gather = gatherer(node)

        def check(parent: Item, scope: Scope) -> Sequence[Fault]:
            items = gather(parent)
            if not items and not lists:
                return ()
            found: list[Fault] = []
            for every in lists:
                found += every(items, parent, scope)
            for item in items:
                for one in checks:
                    found += one(item, scope)
            return found

        return check

    def _slices(self, node: Node, against: Node, id_: str) -> Iterator[ListCheck]:
        slicing = node.element.get("slicing", {})
        if node.slices and slicing:
            found = [self._slice(node, name, against, f"{id_}:{name}") for name in node.slices]
            rule = Rule(self._title, self._url, id_)
            told = [one for name, one in node.slices.items() if name != DEFAULT]
            number_of = self._matching.numbered(told, slicing.get("discriminator", ()))
            yield sliced(rule, node.name.removesuffix("[x]"), slicing, found, number_of)

    def _slice(self, node: Node, name: str, against: Node, id_: str) -> Slice:
        one = node.slices[name]
        before = against.slices.get(name, node)
        most = most_of(one)
        discriminators = node.element["slicing"].get("discriminator", ())
        return Slice(
            Rule(self._title, self._url, id_),
            name,
            int(one.element.get("min", 0)),
            None if most == most_of(node) else most,
            self._matching.matcher(one, node, discriminators),
            self._element(one, before, id_),
            tuple(self._slices(one, before, id_.rpartition(":")[0])),
        )

    def _beyond_its_type(self, node: Node) -> tuple[Check, ...]:
        type_ = node.types[0] if len(node.types) == 1 else ""
        if not type_ or "." in type_ or type_ == "BackboneElement":
            return ()
        return tuple(self._children(node, self._root_of(type_), node.path))
