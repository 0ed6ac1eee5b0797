"""What differs between two versions of a part of a record, element by element.

Pure. The id, the metadata and the narrative are left out: they follow from the rest.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from service.records.stored import Resource

__all__ = ["ElementChange", "differences", "title"]

_GENERATED = frozenset({"resourceType", "id", "meta", "text"})
_ENOUGH = 200
"""Characters of one value that are shown."""


@dataclass(frozen=True, slots=True)
class ElementChange:
    """One element: its path below the resource, what it said before and says now; empty for nothing."""

    path: str
    before: str
    after: str


def differences(before: Resource | None, after: Resource | None) -> tuple[ElementChange, ...]:
    """The elements that differ, by path; None is a part that is not there."""
    old, new = (dict(_leaves(_said(one or {}), "")) for one in (before, after))
    paths = sorted(path for path in old.keys() | new.keys() if old.get(path) != new.get(path))
    return tuple(ElementChange(path, old.get(path, ""), new.get(path, "")) for path in paths)


def _said(resource: Resource) -> Resource:
    return {name: value for name, value in resource.items() if name not in _GENERATED}


def _leaves(value: Any, path: str) -> Iterator[tuple[str, str]]:
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from _leaves(inner, f"{path}.{name}" if path else name)
    elif isinstance(value, list):
        for place, inner in enumerate(value):
            yield from _leaves(inner, f"{path}[{_name(inner, place)}]")
    else:
        text = str(value).lower() if isinstance(value, bool) else str(value)
        yield path, text if len(text) <= _ENOUGH else f"{text[:_ENOUGH]}…"


def _name(element: Any, place: int) -> str:
    """An extension is named by the end of its address, everything else by its place."""
    url = element.get("url", "") if isinstance(element, dict) else ""
    return url.rpartition("/")[2] or str(place)


def title(resource: Resource) -> str:
    """What a part is called: by its code, event, description or type."""
    for name in ("code", "event", "description", "title", "type"):
        if words := _words(resource.get(name)):
            return words
    return str(resource["resourceType"])


def _words(value: Any) -> str:
    if isinstance(value, list):
        return _words(value[0]) if value else ""
    if not isinstance(value, dict):
        return value if isinstance(value, str) else ""
    coded = (coding.get("display", "") for coding in value.get("coding", ()))
    return str(value.get("text") or next(filter(None, coded), ""))
