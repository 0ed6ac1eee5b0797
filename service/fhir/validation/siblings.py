"""A primitive value, and its id and extensions beside it with ``_`` before the name (json.html)."""

from typing import Any

from service.errors import IssueType
from service.fhir.elements import Element
from service.fhir.validation.fault import Fault
from service.fhir.validation.primitives import NULL

__all__ = ["aligned", "with_places"]

_NEITHER = "An element needs a value or extensions; null here and in the array beside it leaves nothing."
_ONLY_ID = "An element needs a value or extensions, not only an id."
_LENGTHS = (
    "The array of values and the one of their extensions (with _ before its name) must be equally long."
)


def with_places(faults: list[Fault], sibling: Any) -> list[Fault]:
    """Leave out what is said of null where the array beside it has extensions for the place."""
    places = sibling if isinstance(sibling, list) else ()
    filled = {f"[{place}]" for place, one in enumerate(places) if isinstance(one, dict)}
    return [fault for fault in faults if fault.message != NULL or fault.path not in filled]


def aligned(sibling: Any, values: Any, element: Element) -> list[Fault]:
    """Answer what is wrong between the ids and extensions and the values they belong to."""
    if not element.repeats:
        return _beside(sibling, values, "")
    if not isinstance(sibling, list) or not (values is None or isinstance(values, list)):
        return []
    if values is not None and len(values) != len(sibling):
        return [Fault("", _LENGTHS, IssueType.STRUCTURE)]
    both = zip(sibling, values or [None] * len(sibling), strict=True)
    return [fault for place, pair in enumerate(both) for fault in _beside(*pair, f"[{place}]")]


def _beside(sibling: Any, value: Any, path: str) -> list[Fault]:
    if value is not None:
        return []
    if sibling is None and path:
        return [Fault(path, _NEITHER, IssueType.STRUCTURE)]
    if isinstance(sibling, dict) and sibling.keys() == {"id"}:
        return [Fault(path, _ONLY_ID, IssueType.STRUCTURE, "ele-1")]
    return []
