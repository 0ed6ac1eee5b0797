"""What one resource can be found by: its values under each search parameter of its type."""

import unicodedata
from collections.abc import Iterator
from typing import Any
from zoneinfo import ZoneInfo

from service.fhir.datetimes import EARLIEST, LATEST, interval
from service.fhir.json import Tree
from service.fhir.references import local_target
from service.fhir.search_parameters import (
    DateKey,
    Parameter,
    ReferenceKey,
    SearchKeys,
    StringKey,
    TokenKey,
    compartment,
    parameters,
)

__all__ = ["extract", "fold"]

_UTC = ZoneInfo("UTC")
_NAME_PARTS = ("text", "family", "given", "prefix", "suffix")


def extract(resource: Tree, *, zone: ZoneInfo = _UTC, base: str = "") -> SearchKeys:
    """Answer the keys of a valid resource of a stored type.

    Dates without offset are read in ``zone``; references below ``base`` are kept as ``Type/id``.
    """
    type_ = resource["resourceType"]
    tokens: list[TokenKey] = []
    references: list[ReferenceKey] = []
    dates: list[DateKey] = []
    strings: list[StringKey] = []
    for parameter in parameters(type_).values():
        for value in _values(resource, parameter):
            if parameter.kind == "token":
                tokens += _tokens(value, parameter)
            elif parameter.kind == "reference":
                references += _references(value, parameter, base)
            elif parameter.kind == "date":
                dates += (
                    DateKey(parameter.index, low, high, parameter.wide) for low, high in _spans(value, zone)
                )
            else:
                strings += (StringKey(parameter.index, fold(text), text) for text in _strings(value))
    patient = resource.get("id", "") if type_ == "Patient" else _patient(type_, references)
    return SearchKeys(
        patient,
        tuple(dict.fromkeys(tokens)),
        tuple(dict.fromkeys(references)),
        tuple(dict.fromkeys(dates)),
        tuple(dict.fromkeys(strings)),
    )


def fold(text: str) -> str:
    """Answer the text as strings are compared: case folded, accents removed, spaces joined."""
    plain = "".join(mark for mark in unicodedata.normalize("NFKD", text) if not unicodedata.combining(mark))
    return " ".join(plain.casefold().split())


def _values(resource: Tree, parameter: Parameter) -> Iterator[Any]:
    for path in parameter.paths:
        found: list[Any] = [resource]
        for step in path.split("."):
            found = [
                inner
                for node in found
                if isinstance(node, dict) and step in node
                for inner in (node[step] if isinstance(node[step], list) else [node[step]])
            ]
        yield from (value for value in found if value is not None)


def _tokens(value: Any, parameter: Parameter) -> Iterator[TokenKey]:
    if isinstance(value, bool):
        yield TokenKey(parameter.index, parameter.system, str(value).lower(), parameter.wide)
    elif isinstance(value, str):
        yield TokenKey(parameter.index, parameter.system, value, parameter.wide)
    elif isinstance(value, dict):
        for coding in value.get("coding", [value]):
            code = coding.get("code", coding.get("value", ""))
            if code or coding.get("system"):
                yield TokenKey(parameter.index, coding.get("system", ""), code, parameter.wide)


def _references(value: Any, parameter: Parameter, base: str) -> Iterator[ReferenceKey]:
    text = value.get("reference", "") if isinstance(value, dict) else ""
    target = local_target(text, base) or (text if text.startswith(("http://", "https://")) else "")
    if target:
        yield ReferenceKey(parameter.index, target)


def _spans(value: Any, zone: ZoneInfo) -> Iterator[tuple[int, int]]:
    """The interval of a date, dateTime, instant, Period or Timing."""
    if isinstance(value, str):
        yield interval(value, zone)
    elif isinstance(value, dict) and ("start" in value or "end" in value):
        low = interval(value["start"], zone)[0] if "start" in value else EARLIEST
        high = interval(value["end"], zone)[1] if "end" in value else LATEST
        if low < high:
            yield low, high
    elif isinstance(value, dict):
        events = [interval(event, zone) for event in value.get("event", []) if event]
        if events:
            yield min(low for low, _ in events), max(high for _, high in events)
        yield from _spans(value.get("repeat", {}).get("boundsPeriod"), zone)


def _strings(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for part in _NAME_PARTS:
            inner = value.get(part, [])
            yield from (text for text in (inner if isinstance(inner, list) else [inner]) if text)


def _patient(type_: str, references: list[ReferenceKey]) -> str:
    """The id of the one Patient whose compartment this is in; empty for none, and for several."""
    own = compartment(type_)
    found = {key.target for key in references if key.index == own and key.target.startswith("Patient/")}
    return found.pop().removeprefix("Patient/") if len(found) == 1 else ""
