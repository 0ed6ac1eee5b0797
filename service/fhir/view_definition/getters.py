"""FHIRPath whose types are known beforehand, as plain functions of JSON.

Most paths of a view walk down a resource, choose by a code and take one value. Such a path finds the very
same as the engine of ``fhirpath`` does, which tests hold it to, without an object for each element on the
way. Whatever is not of this kind is left to the engine. A primitive with extensions but no value is None.
"""

import re
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from service.fhir.elements import Element, elements, is_primitive, is_resource
from service.fhir.fhirpath.nodes import extends
from service.fhir.fhirpath.syntax import Term
from service.fhir.view_definition.keys import reference_key

__all__ = ["Constants", "Getter", "getter"]

Find = Callable[[Any], list[Any]]
Test = Callable[[Any], bool]
Constants = Mapping[str, tuple[Any, str]]
_DATES = frozenset({"date", "dateTime", "instant"})
_UNLIKE_TEXT = _DATES | {"time"}
_DATE_TEXT = "text of a date"
"""The type of a date's text, of which only year, month or day are taken: the engine writes the time anew."""
_PARTS_OF_A_DAY = {(0, 4), (0, 7), (0, 10)}
_WHOLE = re.compile(r"[+-]?\d+", re.ASCII).fullmatch
_TEXTS = frozenset({"string", "code", "id", "markdown", "uri", "url", "canonical", "oid", "uuid"})
_ALIKE = {bool: {"boolean"}, str: _TEXTS, int: {"integer", "positiveInt", "unsignedInt"}}
"""What is compared as Python has it: values of these types with a constant of that."""


class Getter(NamedTuple):
    """A path: what it finds below a value, and the type of what it finds."""

    find: Find
    type: str


class _Elsewhere(Exception):
    """The path is one for the engine."""


def getter(term: Term, type_: str, constants: Constants) -> Getter | None:
    """The path as a function of a value of ``type_``; None if it is one for the engine.

    ValueError names an element that there is not.
    """
    try:
        found = _Compiler(type_, constants).path(term)
    except _Elsewhere:
        return None
    return None if found.type == _DATE_TEXT else found


class _Compiler:
    """Compiles the terms of a path that starts at an element of one type."""

    def __init__(self, type_: str, constants: Constants) -> None:
        self._start = Getter(_itself, type_)
        self._constants = constants

    def path(self, term: Term) -> Getter:
        """What a term finds."""
        if term.kind in {"start", "member"}:
            return self._member(term)
        if term.kind == "call":
            return self._call(term)
        if term.kind == "group":
            return self.path(term.parts[0])
        if term.kind == "item":
            return self._item(*term.parts)
        if term.kind == "this" or (term.kind, term.value) == ("special", "$this"):
            return self._start
        raise _Elsewhere

    def test(self, term: Term) -> Test:
        """A condition: whether it is true, not telling false from empty."""
        if term.kind == "group":
            return self.test(term.parts[0])
        if term.kind == "call" and term.value in {"exists", "empty"}:
            find = self.path(term).find
            return lambda value: bool(find(value)[0])
        if term.kind != "operator" or term.value not in {"and", "or", "="}:
            raise _Elsewhere
        if term.value == "=":
            return self._equal(*term.parts)
        one, two = map(self.test, term.parts)
        if term.value == "and":
            return lambda value: one(value) and two(value)
        return lambda value: one(value) or two(value)

    def _member(self, term: Term) -> Getter:
        if term.kind == "start" and term.value == self._start.type:
            return self._start
        owner = self.path(term.parts[0]) if term.parts else self._start
        element = _element(owner.type, term.value)
        return Getter(_below(owner.find, element), element.type)

    def _item(self, of: Term, index: Term) -> Getter:
        number, owner = self._constant(index), self.path(of)
        if not isinstance(number, int) or isinstance(number, bool) or number < 0:
            raise _Elsewhere
        find, after = owner.find, number + 1
        return Getter(lambda value: find(value)[number:after], owner.type)

    def _call(self, term: Term) -> Getter:
        if term.value == "ofType":
            return self._of_type(*term.parts)
        make = getattr(self, _CALLS.get(term.value, ""), None)
        if make is None:
            raise _Elsewhere
        made: Getter = make(self.path(term.parts[0]), *term.parts[1:])
        return made

    def _first(self, owner: Getter) -> Getter:
        find = owner.find
        return Getter(lambda value: find(value)[:1], owner.type)

    def _where(self, owner: Getter, condition: Term) -> Getter:
        find, test = owner.find, _Compiler(owner.type, self._constants).test(condition)
        return Getter(lambda value: [one for one in find(value) if test(one)], owner.type)

    def _exists(self, owner: Getter, condition: Term | None = None) -> Getter:
        find = (self._where(owner, condition) if condition else owner).find
        return Getter(lambda value: [bool(find(value))], "boolean")

    def _empty(self, owner: Getter) -> Getter:
        find = owner.find
        return Getter(lambda value: [not find(value)], "boolean")

    def _of_type(self, choice: Term, named: Term) -> Getter:
        """A choice, of one type: ``value.ofType(Quantity)``."""
        if named.kind != "start" or choice.kind not in {"start", "member"}:
            raise _Elsewhere
        owner = self.path(choice.parts[0]) if choice.parts else self._start
        of = [one for one in elements(owner.type).values() if one.choice == choice.value]
        if not of:
            _element(owner.type, choice.value)
        fitting = [one for one in of if _fits(one.type, named.value)]
        if len(fitting) != 1:
            raise _Elsewhere
        return Getter(_below(owner.find, fitting[0]), fitting[0].type)

    def _extension(self, owner: Getter, named: Term) -> Getter:
        find, url = _below(owner.find, _element(owner.type, "extension")), self._constant(named)
        return Getter(lambda value: [one for one in find(value) if one.get("url") == url], "Extension")

    def _resource_key(self, owner: Getter) -> Getter:
        if not is_resource(owner.type):
            raise _Elsewhere
        find = owner.find
        return Getter(lambda value: [one["id"] for one in find(value) if "id" in one], "id")

    def _reference_key(self, owner: Getter, named: Term | None = None) -> Getter:
        if owner.type != "Reference" or (named is not None and named.kind != "start"):
            raise _Elsewhere
        find, type_ = owner.find, named.value if named else ""

        def keys(value: Any) -> list[Any]:
            found = [reference_key(one, type_) for one in find(value)]
            return [one for one in found if one is not None]

        return Getter(keys, "id")

    def _to_string(self, owner: Getter) -> Getter:
        if owner.type not in _TEXTS | _DATES:
            raise _Elsewhere
        find = owner.find
        return Getter(lambda value: _text(find(value)), _DATE_TEXT if owner.type in _DATES else "string")

    def _substring(self, owner: Getter, start: Term, length: Term) -> Getter:
        first, number = self._constant(start), self._constant(length)
        whole = owner.type == _DATE_TEXT and (first, number) in _PARTS_OF_A_DAY
        if not whole and owner.type not in _TEXTS:
            raise _Elsewhere
        if not all(type(one) is int and one >= 0 for one in (first, number)):
            raise _Elsewhere
        find, end = owner.find, first + number
        return Getter(
            lambda value: [one[first:end] for one in _text(find(value)) if len(one) > first], "string"
        )

    def _length(self, owner: Getter) -> Getter:
        if owner.type not in _TEXTS:
            raise _Elsewhere
        find = owner.find
        return Getter(lambda value: [len(one) for one in _text(find(value))], "integer")

    def _to_integer(self, owner: Getter) -> Getter:
        if owner.type not in _TEXTS:
            raise _Elsewhere
        find = owner.find
        return Getter(lambda value: [int(one) for one in _text(find(value)) if _WHOLE(one)], "integer")

    def _equal(self, left: Term, right: Term) -> Test:
        owner, wanted = self.path(left), self._constant(right)
        if owner.type not in _ALIKE.get(type(wanted), ()):
            raise _Elsewhere
        if left.kind == "start" and not _element(self._start.type, left.value).repeats:
            name = left.value
            return lambda value: bool(value.get(name) == wanted)
        find, alone = owner.find, [wanted]
        return lambda value: find(value) == alone

    def _constant(self, term: Term) -> Any:
        if term.kind == "literal":
            return term.value
        if term.kind == "variable" and term.value in self._constants:
            value, type_ = self._constants[term.value]
            if type_ not in _UNLIKE_TEXT:
                return value
        raise _Elsewhere


_CALLS = {
    "first": "_first",
    "where": "_where",
    "exists": "_exists",
    "empty": "_empty",
    "extension": "_extension",
    "length": "_length",
    "substring": "_substring",
    "toInteger": "_to_integer",
    "toString": "_to_string",
    "getResourceKey": "_resource_key",
    "getReferenceKey": "_reference_key",
}


def _element(type_: str, name: str) -> Element:
    """An element that JSON writes under its own name, of one type."""
    known = elements(type_)
    element = known.get(name)
    if (
        element is None
        and known
        and not is_primitive(type_)
        and all(one.choice != name for one in known.values())
    ):
        raise ValueError(f"{type_} has no element '{name}'")
    if element is None or element.choice or element.type == "Resource":
        raise _Elsewhere
    return element


def _text(found: list[Any]) -> list[Any]:
    if len(found) > 1:
        raise ValueError("one text is needed, several are there")
    return [one for one in found if one is not None]


def _itself(value: Any) -> list[Any]:
    return [value]


def _below(owner: Find, element: Element) -> Find:
    name = element.name
    if is_primitive(element.type):
        alone = owner is _itself and not element.repeats
        return _primitive(name, f"_{name}") if alone else _primitives(owner, name, f"_{name}")
    if element.repeats:

        def several(value: Any) -> list[Any]:
            return [below for one in owner(value) for below in one.get(name, ())]

        return several
    if owner is _itself:
        return lambda value: [value[name]] if name in value else []
    return lambda value: [one[name] for one in owner(value) if name in one]


def _primitive(name: str, extras: str) -> Find:
    def find(value: Any) -> list[Any]:
        below = value.get(name)
        if below is not None:
            return [below]
        return [None] if extras in value else []

    return find


def _primitives(owner: Find, name: str, extras: str) -> Find:
    """Values; None for one that has extensions alone."""

    def find(value: Any) -> list[Any]:
        found: list[Any] = []
        for one in owner(value):
            below = one.get(name)
            if isinstance(below, list):
                found += below
            elif below is not None:
                found.append(below)
            elif extras in one:
                found += [None] * (len(one[extras]) if isinstance(one[extras], list) else 1)
        return found

    return find


def _fits(type_: str, name: str) -> bool:
    return type_ == name if is_primitive(type_) else extends(type_, name)
