"""Nodes to hold invariants against: those of the official examples, and made-up ones around each rule."""

import random
import re
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from r4_examples import FOLDER

from service.fhir.elements import elements, is_primitive, is_resource, lineage
from service.fhir.json import Tree, parse

Found = tuple[str, Any, Tree, Tree]
"""A path that rules stand at, the node there, its resource and the root."""

UCUM = "http://unitsofmeasure.org"
_FILLER = {"extension": [{"url": "http://x.example", "valueString": "x"}]}
_REFERRING = {"extension": [{"url": "http://x.example", "valueCanonical": "#a"}]}
_LARGEST = 60_000
_WORDS = {  # what a rule is about besides what its expression names
    "ele-1": ("id", "extension", "value", "code", "text", "system"),
    "que-2": ("item", "linkId", "contained"),
    "rng-2": ("value", "unit"),
    "rat-1": ("value",),
    "sdf-9": ("snapshot", "differential", "element"),
    "dom-3": ("reference", "subject", "managingOrganization", "focus"),
    "ref-1": ("reference",),
    "ctm-1": ("reference",),
    "csd-1": ("concept", "code"),
}
_STRINGS = (
    "x",
    "y",
    "Xy",
    "X y",
    "a.b",
    "a.b.c",
    "a",
    "Patient",
    "Patient.name",
    "*",
    "1",
    "-1",
    "+2",
    "0",
    "#",
    "#a",
    "#b",
)
_VALUES: dict[str, tuple[Any, ...]] = {
    "boolean": (True, False),
    "decimal": (0, 1, 5, -1, 101, Decimal("0.5"), Decimal("5.0"), Decimal("-0.1"), Decimal(100)),
    "integer": (0, 1, 2, 3, -1),
    "date": ("2019", "2019-03", "2019-03-04", "2020-01-01"),
    "dateTime": (
        "2019",
        "2019-03",
        "2019-03-04",
        "2020-01-01",
        "2021-03-04T10:00:00Z",
        "2021-03-04T11:30:00+02:00",
    ),
    "instant": ("2021-03-04T10:00:00Z", "2021-03-04T11:30:00.5+02:00"),
    "time": ("10:00:00", "11:00:00"),
    "id": ("a", "b", "c"),
    "uri": ("http://x.example", "https://x.example", "urn:x", "#a", "#", UCUM, "http://x.example/_history/1"),
    "xhtml": ('<div xmlns="http://www.w3.org/1999/xhtml">x</div>',),
}


def type_of(path: str) -> str:
    """The type of what stands at a path that rules stand at."""
    owner, _, name = path.rpartition(".")
    return path if elements(path) else elements(owner)[name].type


def in_examples(every: int) -> Iterator[Found]:
    """Every node of every n-th example that is not large, the rules' paths with each."""
    for file in sorted(FOLDER.glob("*.json"))[::every]:
        if file.stat().st_size <= _LARGEST and file.name[0].isupper():
            tree = parse(file.read_bytes())
            yield from _walk(tree, tree["resourceType"], tree, tree)


def _walk(node: Tree, type_: str, resource: Tree, root: Tree) -> Iterator[Found]:
    yield type_, node, resource, root
    table = elements(type_)
    for name, content in node.items():
        element = table.get(name)
        for one in (content if isinstance(content, list) else [content]) if element else ():
            yield f"{type_}.{name}", one, resource, root
            if isinstance(one, dict):
                yield from _below(one, element.type, name, resource, root)


def _below(node: Tree, type_: str, name: str, resource: Tree, root: Tree) -> Iterator[Found]:
    if type_ == "Resource":
        yield from _walk(node, node["resourceType"], node, root if name == "contained" else node)
    else:
        yield from _walk(node, type_, resource, root)


class Maker:
    """Makes nodes at random, of the elements and values that a rule's expression is about."""

    def __init__(self, key: str, expression: str, *, valueless: float = 0.08) -> None:
        """The same rule gets the same nodes in every run; of so many values only the extensions are there."""
        self._valueless = valueless
        self._random = random.Random(key)  # noqa: S311 - nothing secret
        self._expression = expression
        words = set(re.findall(r"\w+", expression)) - {"exists", "empty", "all"}
        self._words = words | set(_WORDS.get(key, ()))
        self._texts = tuple(re.findall(r"'([^']+)'", expression.replace("\\", "")))

    def nodes(self, path: str, count: int) -> Iterator[Found]:
        """So many nodes of a path, each in a resource where the rule asks for one."""
        type_ = type_of(path)
        for _ in range(count):
            top = path.partition(".")[0]
            if is_primitive(type_):
                yield path, self._primitive(type_), {}, {}
            elif "." in path and is_resource(top) and re.search("%resource|%rootResource", self._expression):
                yield from self._within(path, top)
            elif re.search("%rootResource|resolve", self._expression):
                root = {"resourceType": "Basic", "id": "r", "contained": self._contained()}
                yield path, self._node(type_, 0), self._random.choice([root, root["contained"][0]]), root
            else:
                node = self._node(type_, 0)
                yield path, node, node, node

    def _within(self, path: str, top: str) -> Iterator[Found]:
        resource = self._node(top, 0)
        found = [resource]
        for name in path.split(".")[1:]:
            below = [one.get(name) for one in found]
            found = [one for each in below for one in (each if isinstance(each, list) else [each]) if one]
        for node in found:
            yield path, node, resource, resource

    def _contained(self) -> list[Tree]:
        types = ("Patient", "Practitioner", "Organization")
        return [{"resourceType": self._random.choice(types), "id": one} for one in ("a", "b")]

    def _node(self, type_: str, depth: int) -> Tree:
        node: Tree = {"resourceType": type_} if is_resource(type_) else {}
        chosen: dict[str, list[str]] = {}
        for element in elements(type_).values():
            chosen.setdefault(element.choice or element.name, []).append(element.name)
        for name, forms in chosen.items():
            if name in self._words and self._random.random() < (0.6 if depth < 3 else 0.3):
                self._add(node, type_, self._random.choice(forms), depth)
        if not node and self._random.random() < 0.95:
            return dict(_FILLER)
        return node

    def _add(self, node: Tree, type_: str, name: str, depth: int) -> None:
        element = elements(type_)[name]
        if is_primitive(element.type) and name != "id" and self._random.random() < self._valueless:
            extra = self._random.choice((_FILLER, _REFERRING))
            node[f"_{name}"] = [extra] if element.repeats else extra
            return
        count = self._random.choice((1, 1, 2, 3)) if element.repeats else 1
        values = [self._value(element.type, depth) for _ in range(count)]
        node[name] = values if element.repeats else values[0]

    def _value(self, type_: str, depth: int) -> Any:
        if is_primitive(type_):
            return self._primitive(type_)
        if type_ == "Resource":
            type_ = self._random.choice(("Composition", "MessageHeader", "Patient", "CodeSystem"))
            return {**self._node(type_, depth + 1), "id": self._random.choice(("a", "b"))}
        return dict(_FILLER) if depth > 5 else self._node(type_, depth + 1)

    def _primitive(self, type_: str) -> Any:
        for base in lineage(type_):
            if base in _VALUES:
                own = _VALUES[base]
                return self._random.choice(self._like(own, "://") if base == "uri" else own)
        return self._random.choice(self._like(_STRINGS, ""))

    def _like(self, others: tuple[Any, ...], part: str) -> tuple[Any, ...]:
        """Mostly what the expression names: addresses for a uri, the others for a text."""
        own = tuple(one for one in self._texts if ("://" in one) == bool(part)) or self._texts
        return own if own and self._random.random() < 0.6 else others


def without_each(found: Found, words: set[str]) -> Iterator[Found]:
    """The node of an example without each of the elements that a rule names."""
    path, node, resource, root = found
    if isinstance(node, dict):
        for name in node:
            plain = name.removeprefix("_")
            element = elements(type_of(path)).get(plain)
            if element and (element.choice or plain) in words:
                less = {key: value for key, value in node.items() if key != name}
                yield path, less, less if node is resource else resource, less if node is root else root
