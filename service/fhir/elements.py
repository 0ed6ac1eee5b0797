"""The elements of every FHIR R4 type, in the order of the standard.

Read from ``definitions/elements.json.xz``, which ``tools/definitions_elements.py`` makes from the published
definitions and which describes its own form.
"""

import json
import lzma
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

__all__ = [
    "ANY_RESOURCE",
    "STRUCTURES",
    "Binding",
    "Element",
    "binding_of",
    "elements",
    "is_primitive",
    "is_resource",
    "lineage",
    "read_binding",
    "read_types",
    "resource_types",
]

STRUCTURES = "http://hl7.org/fhir/StructureDefinition/"
"""Where the addresses of R4's own types, profiles and extensions begin."""
ANY_RESOURCE = frozenset({"Resource", "DomainResource"})
"""The types that stand for any resource."""
_FILE = Path(__file__).parent / "definitions" / "elements.json.xz"
_NUMBERS = frozenset({"decimal", "integer", "positiveInt", "unsignedInt"})
_NARROWER = {
    **dict.fromkeys(("code", "id", "markdown"), "string"),
    **dict.fromkeys(("canonical", "oid", "url", "uuid"), "uri"),
    **dict.fromkeys(("positiveInt", "unsignedInt"), "integer"),
}
_VALUE_SET = "http://hl7.org/fhir/ValueSet/"
_STRENGTHS = {"r": "required", "e": "extensible", "p": "preferred", "x": "example"}
_TYPE = re.compile(r"([\w.]+)(?:\(([\w,]+)\))?(?:<(\w+)>)?")


class Binding(NamedTuple):
    """The codes an element may hold: a value set's canonical, and the widest one where there is one."""

    strength: str
    value_set: str
    widest: str = ""


@dataclass(frozen=True, slots=True)
class Element:
    """One element as it is written: a choice (``value[x]``) is one Element per type (``valueQuantity``).

    ``order`` is its place among its siblings, ``choice`` the name before the type (``value``), empty where
    there is none. ``type`` is a type's name, a part's path (``Observation.component``) or ``Resource``, which
    is any resource. ``targets`` are the types a Reference or canonical may lead to (empty: any), ``profile``
    the name of the profile of its type (``SimpleQuantity``).
    """

    name: str
    type: str
    order: int
    least: int
    repeats: bool
    summary: bool
    modifier: bool
    attribute: bool
    choice: str
    targets: tuple[str, ...] = ()
    profile: str = ""
    binding: Binding | None = None

    @property
    def kind(self) -> str:
        """How it is written: ``number``, ``boolean``, ``string``, ``xhtml``, ``resource`` or ``parts``."""
        return _kind(self.type)


@cache
def elements(type_: str) -> Mapping[str, Element]:
    """Answer the elements of a type or part by name, inherited ones first; empty if there is no such type."""
    found: dict[str, Element] = {}
    for order, line in enumerate(_lines(type_).values()):
        for element in _read(line, order):
            found[element.name] = element
    return found


@cache
def lineage(type_: str) -> tuple[str, ...]:
    """A type or part, the type it extends, and so on up; of primitives as well."""
    if is_primitive(type_):
        base = _NARROWER.get(type_, "Element")
    else:
        base, *_ = _tables().get(type_, ("",))
    return (type_, *(lineage(base) if base else ()))


def binding_of(type_: str) -> Binding | None:
    """Answer the binding of a type as a whole (``Age``)."""
    _, _, *rest = _tables().get(type_, ("", ()))
    return read_binding(rest[0]) if rest else None


def read_binding(text: str) -> Binding | None:
    """Read a binding as the tables write it; None for an empty text."""
    if not text:
        return None
    strength, _, rest = text.partition(":")
    value_set, _, widest = rest.partition(">")
    return Binding(_STRENGTHS[strength], _canonical(value_set), _canonical(widest) if widest else "")


def read_types(text: str) -> Iterator[tuple[str, tuple[str, ...], str]]:
    """Read the types of an element as the tables write them: name, what it may lead to, profile."""
    for name, targets, profile in _TYPE.findall(text):
        yield name, tuple(targets.split(",")) if targets else (), profile


def is_resource(type_: str) -> bool:
    """Whether it is a type of resource that can be sent or stored."""
    return type_ in _resources()


def is_primitive(type_: str) -> bool:
    """Whether it is a primitive type: one value, besides an id and extensions."""
    return type_ in _primitives()


def resource_types() -> tuple[str, ...]:
    """Every type of resource of FHIR R4, by name."""
    return tuple(_tables()["!"])


@cache
def _tables() -> dict[str, Any]:
    tables: dict[str, Any] = json.loads(lzma.decompress(_FILE.read_bytes()))
    return tables


@cache
def _primitives() -> frozenset[str]:
    return frozenset(_tables()["*"])


@cache
def _resources() -> frozenset[str]:
    return frozenset(_tables()["!"])


@cache
def _kind(type_: str) -> str:
    if type_ in _NUMBERS:
        return "number"
    if type_ in {"boolean", "xhtml"}:
        return type_
    if is_primitive(type_):
        return "string"
    return "resource" if type_ == "Resource" else "parts"


def _lines(type_: str) -> dict[str, str]:
    """The lines of a type and those it extends, by name; one that is told again stays in its place."""
    base, own, *_ = _tables().get(type_, ("", ()))
    inherited = _lines(base) if base else {}
    return inherited | {line.partition(" ")[0]: line for line in own}


def _read(line: str, order: int) -> Iterator[Element]:
    name, least, most, flags, types, *bound = line.split(" ")
    stem = name.removesuffix("[x]")
    choice = stem if stem != name else ""
    for type_, targets, profile in read_types(types):
        yield Element(
            stem + (type_[0].upper() + type_[1:] if choice else ""),
            type_,
            order,
            int(least),
            most not in {"0", "1"},
            "s" in flags,
            "m" in flags,
            "a" in flags,
            choice,
            targets,
            profile,
            read_binding(bound[0]) if bound else None,
        )


def _canonical(name: str) -> str:
    return name if ":" in name else _VALUE_SET + name
