"""Extensions: what the standard says of its own, and what holds for every other (extensibility.html)."""

import json
import lzma
import re
from collections import Counter
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

from service.errors import IssueType
from service.fhir.elements import (
    STRUCTURES,
    Binding,
    is_primitive,
    read_binding,
    read_types,
)
from service.fhir.json import Tree
from service.fhir.validation.bindings import bound
from service.fhir.validation.extension_context import broken_rules, names_of, own_path
from service.fhir.validation.fault import Fault
from service.fhir.validation.scope import Check, Found, Scope

__all__ = ["FILE", "extensions"]

FILE = Path(__file__).parents[1] / "definitions" / "extensions.json.xz"
_NAMES = ("extension", "modifierExtension")
_ABSOLUTE = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:.+")
# Where the standard's own resources carry them as well, and later editions of their definitions allow them.
_ALSO = {
    "regex": ("ElementDefinition.type",),
    "structuredefinition-fhir-type": ("ElementDefinition.type",),
    "structuredefinition-normative-version": ("DomainResource", "ElementDefinition"),
    "valueset-concept-comments": ("CodeSystem.concept",),
}
# Of the extensions that HL7 published for R4 after it (hl7.fhir.uv.extensions.r4), those met in practice.
_LATER: dict[str, Any] = {
    "operationoutcome-issue-line": {
        "most": "1",
        "in": ["OperationOutcome.issue"],
        "value": "integer",
        "needed": True,
    },
    "operationoutcome-issue-col": {
        "most": "1",
        "in": ["OperationOutcome.issue"],
        "value": "integer",
        "needed": True,
    },
    "operationoutcome-file": {"most": "1", "in": ["OperationOutcome"], "value": "string", "needed": True},
    "narrativeLink": {"most": "*", "in": ["Element"], "value": "url", "needed": True},
}
_RELATIVE = "The url of an extension must be absolute; only those inside another extension may be relative."
_UNDEFINED = "FHIR R4 does not define this extension; use one it defines, or a url of your own."
_UNKNOWN_MODIFIER = (
    "This modifierExtension is not known here, so that the element can't be understood safely."
)
_IS_MODIFIER = "This extension changes the meaning of its element; it must stand in modifierExtension."
_NO_MODIFIER = "This extension does not change the meaning of its element; it must stand in extension."
_NOT_HERE = "This extension may not stand here, only at: {}."
_ONCE = "The extension {} may be given only once."
_NO_PART = "The extension {} has no part of this url; its parts are: {}."
_PART_MISSING = "The extension needs its part {}."
_NO_VALUE = "This extension has parts and no value."
_VALUE_MISSING = "This extension needs a value."
_VALUE_TYPE = "The value of this extension must be given as {}."
_NO_PARTS = "This extension has a value and no parts."


@cache
def extensions(path: str, type_: str) -> Check:
    """Answer the check of the extensions of an element, by its path (``Patient.birthDate``) and type."""
    here = names_of(path, type_)

    def check(node: Any, scope: Scope) -> Found:
        found: list[Fault] = []
        for name in _NAMES:
            if name in node:
                found += _all(name, node, here, type_, scope)
        return found or None

    return check


def _all(name: str, node: Tree, here: frozenset[str], type_: str, scope: Scope) -> Iterator[Fault]:
    given = node[name] if isinstance(node[name], list) else []
    modifier = name != "extension"
    counts = Counter(_url(one) for one in given)
    for place, one in enumerate(given):
        url = _url(one)
        table = _tables().get(url)
        faults: Iterable[Fault] = ()
        if table:
            faults = (
                *_known(url, table, here=here, modifier=modifier),
                *broken_rules(table.get("when", ()), node, type_, one, url),
                *_content(url, table, one, scope),
            )
        elif url:
            faults = _unknown(url, modifier=modifier, nested=type_ == "Extension")
        for fault in faults:
            yield fault._replace(path=f".{name}[{place}]{fault.path}")
    for url, count in counts.items():
        if count > 1 and _tables().get(url, {}).get("most") == "1":
            yield Fault(f".{name}", _ONCE.format(url.removeprefix(STRUCTURES)), IssueType.STRUCTURE, url)


def _known(url: str, table: Tree, *, here: frozenset[str], modifier: bool) -> Iterator[Fault]:
    """An extension the standard defines stands where its definition says."""
    if table.get("modifier", False) != modifier:
        yield Fault("", _NO_MODIFIER if modifier else _IS_MODIFIER, IssueType.STRUCTURE, url)
    if here.isdisjoint(_places(url)):
        yield Fault("", _NOT_HERE.format(", ".join(table["in"])), IssueType.STRUCTURE, url)


def _unknown(url: str, *, modifier: bool, nested: bool) -> Iterator[Fault]:
    """Any other is kept, unless it may change what the element means or claims to be the standard's."""
    if modifier:
        yield Fault("", _UNKNOWN_MODIFIER, IssueType.STRUCTURE, url)
    elif url.startswith(STRUCTURES):
        yield Fault("", _UNDEFINED, IssueType.STRUCTURE, url)
    elif not nested and not _ABSOLUTE.fullmatch(url):
        yield Fault("", _RELATIVE, IssueType.STRUCTURE, url)


def _content(url: str, table: Tree, node: Tree, scope: Scope) -> Iterator[Fault]:
    """The value or the parts, as the definition has them."""
    value = next((name for name in node if name.removeprefix("_").startswith("value")), "")
    if "parts" in table:
        if value:
            yield Fault("", _NO_VALUE, IssueType.STRUCTURE, url)
        yield from _parts(url, table["parts"], node, scope)
        return
    if "extension" in node:
        yield Fault("", _NO_PARTS, IssueType.STRUCTURE, url)
    if not value:
        if table.get("needed"):
            yield Fault("", _VALUE_MISSING, IssueType.STRUCTURE, url)
        return
    types, told = _value(table["value"])
    type_ = types.get(value.removeprefix("_"))
    if type_ is None:
        yield Fault("", _VALUE_TYPE.format(" or ".join(types)), IssueType.STRUCTURE, url)
    elif told and value[0] != "_" and isinstance(node[value], str if is_primitive(type_) else dict):
        check = bound(told, type_)
        for fault in (check(node[value], scope) or ()) if check else ():
            yield fault._replace(path=f".{value.removeprefix('_')}{fault.path}")


def _parts(url: str, parts: Tree, node: Tree, scope: Scope) -> Iterator[Fault]:
    given = node.get("extension")
    inner = given if isinstance(given, list) else []
    counts = Counter(_url(one) for one in inner)
    for place, one in enumerate(inner):
        name = _url(one)
        if name in parts:
            for fault in _content(url, parts[name], one, scope):
                yield fault._replace(path=f".extension[{place}]{fault.path}")
        elif name and not _ABSOLUTE.fullmatch(name):
            text = _NO_PART.format(url.removeprefix(STRUCTURES), ", ".join(parts))
            yield Fault(f".extension[{place}]", text, IssueType.STRUCTURE, url)
    for name, part in parts.items():
        if part["least"] and not counts[name]:
            yield Fault("", _PART_MISSING.format(name), IssueType.REQUIRED, url)
        if part["most"] == "1" and counts[name] > 1:
            yield Fault(".extension", _ONCE.format(name), IssueType.STRUCTURE, url)


def _url(node: Any) -> str:
    url = node.get("url") if isinstance(node, dict) else None
    return url if isinstance(url, str) else ""


@cache
def _value(text: str) -> tuple[dict[str, str], Binding | None]:
    """The names the value may have, with their types, and its binding."""
    types, _, told = text.partition(" ")
    names = {f"value{type_[0].upper()}{type_[1:]}": type_ for type_, _, _ in read_types(types)}
    return names, read_binding(told)


@cache
def _places(url: str) -> frozenset[str]:
    """Where an extension may stand, told by the part's own path where a longer one was given."""
    more = _ALSO.get(url.removeprefix(STRUCTURES), ())
    return frozenset(own_path(place) for place in (*_tables()[url]["in"], *more))


@cache
def _tables() -> dict[str, Any]:
    tables = _LATER | json.loads(lzma.decompress(FILE.read_bytes()))
    return {name if ":" in name else STRUCTURES + name: table for name, table in tables.items()}
