"""What an address asks for by name: resources by their ids, and patients, as its text has it.

It is read before anything else is: what is refused, or can't be read as a search, has asked all the same.
"""

import re
from collections.abc import Iterator
from itertools import islice
from urllib.parse import parse_qsl

from service.fhir.search_parameters import parameters, stored_types

__all__ = ["named_in", "named_in_search"]

_MOST = 500
"""Names in one search; what has more values is refused unseen."""
_DEEPEST = 5
"""References that a search leads over; what leads over more is refused unseen."""
_REFERENCE = re.compile(r"([A-Z][A-Za-z]{1,63})/([A-Za-z0-9\-.]{1,64})")
_OF_PATIENTS = frozenset({"patient", "subject"})


def named_in(address: str) -> Iterator[tuple[str, str]]:
    """Type and id of each resource that an address names, relative to the base, with its search."""
    path, _, query = address.partition("?")
    type_, *steps = path.split("/")
    if steps and type_ in stored_types():
        yield type_, steps[0]
    if query:
        yield from named_in_search(path, query)


def named_in_search(path: str, query: str) -> Iterator[tuple[str, str]]:
    """Type and id of each resource that a search names; ``path`` leads to the type that is searched."""
    searched = [step for step in path.split("/") if step in stored_types()]
    return islice(_named(searched[-1] if searched else "Patient", query), _MOST)


def _named(type_: str, query: str) -> Iterator[tuple[str, str]]:
    # ids first: parameters that nobody knows may have any number of values
    for name, value in sorted(parse_qsl(query), key=lambda pair: not pair[0].endswith("_id")):
        yield from _named_by(type_, name, value)


def _named_by(type_: str, name: str, value: str) -> Iterator[tuple[str, str]]:
    for _ in range(_DEEPEST):
        if name.startswith("_has:") and name.count(":") > 2:
            _, type_, _, name = name.split(":", 3)
    way, _, last = name.rpartition(".")
    for step in way.split(".", _DEEPEST) if way else ():
        type_ = _target(type_, step) or ""
    target = {"_id": type_, "_list": "List"}.get(last) or _target(type_, last)
    for one in value.split(","):
        if "/" not in one:
            yield target or "", one
        else:
            found = ((type_, id_) for type_, id_ in _REFERENCE.findall(one) if type_ in stored_types())
            yield from (pair for pair in found if target is not None or pair[0] == "Patient")


def _target(type_: str, step: str) -> str | None:
    """The type a parameter most likely refers to: a patient, where it may; None if it is no reference."""
    stem, _, modifier = step.partition(":")
    if modifier:
        return modifier if modifier in stored_types() else None
    if stem in _OF_PATIENTS:
        return "Patient"
    found = parameters(type_).get(stem) if type_ in stored_types() else None
    if found is None or found.kind != "reference":
        return None
    likely = ["Patient", *(one for one in found.targets if one.lower() == stem), *found.targets[:1]]
    return next(one for one in likely if one in found.targets) if found.targets else ""
