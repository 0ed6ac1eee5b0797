"""A resource's tree written as FHIR XML, without loss (FHIR R4 xml.html)."""

import re
from collections.abc import Mapping
from itertools import zip_longest
from typing import Any

from service.errors import InvalidInput, Issue, IssueType, NotAcceptable, Place
from service.fhir.elements import Element, elements, is_resource
from service.fhir.json import number_text
from service.fhir.narrative import as_xml

__all__ = ["dump"]

_HEAD = '<?xml version="1.0" encoding="UTF-8"?>\n'
_NAMESPACE = ' xmlns="http://hl7.org/fhir"'
_MARKUP = re.compile(r'[&<>"\t\n\r]')
_ESCAPES = {"&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;"}
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def dump(tree: Mapping[str, Any], *, indent: bool = False) -> bytes:
    """Write a resource that ``fhir.json`` has read, or one that was made here.

    InvalidInput names a member that R4 does not have. NotAcceptable: a text holds what XML can't carry (a
    control character, a narrative that is not well-formed); such a resource can only be had as JSON.
    """
    writer = _Writer(indent=indent)
    writer.resource(tree, tree.get("resourceType", ""), _NAMESPACE)
    text = "".join(writer.out)
    if _NOT_XML.search(text):
        raise NotAcceptable("A text holds a character that XML can't carry; ask for JSON.")
    return (_HEAD + text + "\n" * indent).encode()


class _Writer:
    def __init__(self, *, indent: bool) -> None:
        self.out: list[str] = []
        self._indent = indent
        self._level = 0

    def resource(self, tree: Mapping[str, Any], at: str, namespace: str = "") -> None:
        type_ = tree.get("resourceType") if isinstance(tree, Mapping) else None
        if not isinstance(type_, str) or not is_resource(type_):
            raise _unwritable("This is no resource of FHIR R4.", at)
        self._line(f"<{type_}{namespace}>")
        self._members(tree, type_, at)
        self._line(f"</{type_}>")

    def _members(self, tree: Mapping[str, Any], type_: str, at: str) -> None:
        table = elements(type_)
        names = {name.removeprefix("_") for name in tree} - ({"resourceType"} - table.keys())
        if unknown := sorted(names - table.keys()):
            raise _unwritable("R4 has no such element.", f"{at}.{unknown[0]}")
        self._level += 1
        for name in sorted(names, key=lambda name: table[name].order):
            element = table[name]
            if not element.attribute:
                value, extra = tree.get(name), tree.get(f"_{name}")
                if element.repeats:
                    pairs = zip_longest(_list(value, at), _list(extra, at))
                    for place, (one, more) in enumerate(pairs):
                        self._element(element, one, more, f"{at}.{name}[{place}]")
                else:
                    self._element(element, value, extra, f"{at}.{name}")
        self._level -= 1

    def _element(self, element: Element, value: Any, extra: Any, at: str) -> None:
        match element.kind:
            case "xhtml":
                self._line(_narrative(value, at))
            case "resource":
                self._line(f"<{element.name}>")
                self._level += 1
                self.resource(value, at)
                self._level -= 1
                self._line(f"</{element.name}>")
            case "parts":
                self._parts(element.name, "", _object(value, at), element.type, at)
            case _:
                if value is not None or extra is not None:
                    text = "" if value is None else f' value="{_escaped(_text(value))}"'
                    self._parts(element.name, text, _object(extra or {}, at), "Element", at)

    def _parts(self, name: str, value: str, node: Mapping[str, Any], type_: str, at: str) -> None:
        table = elements(type_)
        attributes = [member for member in node if member in table and table[member].attribute]
        written = "".join(f' {member}="{_escaped(_text(node[member]))}"' for member in attributes)
        if len(attributes) == len(node):
            self._line(f"<{name}{written}{value}/>")
            return
        self._line(f"<{name}{written}{value}>")
        self._members(node, type_, at)
        self._line(f"</{name}>")

    def _line(self, text: str) -> None:
        if self._indent and self.out:
            self.out.append("\n" + "  " * self._level)
        self.out.append(text)


def _list(value: Any, at: str) -> list[Any]:
    if value is None:
        return []
    if not isinstance(value, list):
        raise _unwritable("This element repeats; it must be an array.", at)
    return value


def _object(value: Any, at: str) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise _unwritable("This element has parts; it must be an object.", at)
    return value


def _text(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return value if isinstance(value, str) else number_text(value)


def _escaped(text: str) -> str:
    return _MARKUP.sub(lambda found: _ESCAPES.get(found[0]) or f"&#{ord(found[0])};", text)


def _narrative(value: Any, at: str) -> str:
    try:
        return as_xml(_text(value))
    except ValueError as error:
        raise NotAcceptable(
            f"The narrative can't be written as XML, {error}; ask for JSON.", expression=at
        ) from None


def _unwritable(text: str, at: str) -> InvalidInput:
    return InvalidInput(Issue(text, code=IssueType.STRUCTURE, place=Place(expression=at)))
