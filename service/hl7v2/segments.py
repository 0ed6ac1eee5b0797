"""Segments built by the table: FHIR paths in, fields out, none longer than the standard lets it be."""

from collections.abc import Mapping
from typing import Any

from service.hl7v2.data_types import CONVERTERS, Words
from service.hl7v2.encoding import Component, Repetition, segment, written
from service.hl7v2.mapping import Row, fields, tables

__all__ = ["built"]

Tree = dict[str, Any]


def built(
    name: str, roots: Mapping[str, Tree], on_file: Mapping[str, Tree], codec: str, value_type: str = ""
) -> str:
    """Answer a segment with its end, each field from the first of its paths that gives something.

    ``roots`` are what paths begin with, ``on_file`` what references lead to; ``value_type`` is OBX-2.
    """
    filled = {
        row.field: text
        for row in fields()[name]
        if (text := _field(row, roots, on_file, codec, value_type if row.type == "varies" else row.type))
    }
    return segment(name, filled) + "\r"


def _field(row: Row, roots: Mapping[str, Tree], on_file: Mapping[str, Tree], codec: str, type_: str) -> str:
    if row.value:
        return row.value
    found = next((values for path in row.source if (values := _found(path, roots, on_file))), ())
    made = (_converted(row, value) for value in found if _belongs(row, value))
    texts = [text for one in made if (text := _fitted(one, row.length, type_, codec))]
    return "~".join(texts if row.repeats else texts[:1])


def _belongs(row: Row, value: Any) -> bool:
    """A telephone at work is a field of its own."""
    return row.type != "XTN" or (value.get("use") == "work") == ("Business" in row.name)


def _converted(row: Row, value: Any) -> Repetition:
    if row.table:
        text = str(value).lower() if isinstance(value, bool) else str(value)
        return tables()[row.table].of(text).split("^")
    made = CONVERTERS[row.type](value)
    return [*made, row.kind] if row.kind and len(made) == 4 else made


def _found(path: str, roots: Mapping[str, Tree], on_file: Mapping[str, Tree]) -> list[Any]:
    """What a FHIR path leads to; ``resolve()`` follows a reference to what is on file."""
    first, *steps = path.split(".")
    nodes: list[Any] = [roots[first]] if first in roots else []
    for step in steps:
        nodes = [inner for node in nodes for inner in _step(node, step, on_file)]
    return nodes


def _step(node: Any, step: str, on_file: Mapping[str, Tree]) -> list[Any]:
    if step == "resolve()":
        found = on_file.get(node.get("reference", ""))
        return [found] if found else []
    value = node.get(step) if isinstance(node, dict) else None
    if value is None or value == "":
        return []
    return value if isinstance(value, list) and step != "value" else [value]


def _fitted(components: Repetition, most: int, type_: str, codec: str) -> str:
    """Write a repetition, words cut until it is no longer than the standard lets it be."""
    parts = [*components]
    while (over := len(text := written(parts, type_, codec)) - most) > 0:
        place = max(range(len(parts)), key=lambda at: _cuttable(parts[at]))
        if not _cuttable(parts[place]):
            break
        parts[place] = _cut(parts[place], over)
    return text


def _cuttable(part: Component) -> int:
    inner = part if isinstance(part, str) else part[0] if part else ""
    return len(inner) if isinstance(inner, Words) else 0


def _cut(part: Component, over: int) -> Component:
    inner = part if isinstance(part, str) else part[0]
    kept = Words(inner[: max(0, len(inner) - over)])
    return kept if isinstance(part, str) else [kept, *part[1:]]
