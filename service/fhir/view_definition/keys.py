"""Keys that join the rows of views (SQL on FHIR 2, getResourceKey and getReferenceKey).

A key is the id of a resource: a view is over one type, and a reference says which type it leads to.
"""

from typing import Any

from service.fhir.elements import is_resource
from service.fhir.fhirpath.context import Context
from service.fhir.fhirpath.evaluation import Evaluated, Functions
from service.fhir.fhirpath.nodes import Node, value
from service.fhir.references import local_target

__all__ = ["FUNCTIONS", "reference_key"]


def reference_key(reference: Any, type_: str = "") -> str | None:
    """The key of what a Reference leads to; None if that is of another type, or of none that can be told."""
    found = _target(reference)
    return found[1] if found and type_ in {"", found[0]} else None


def _target(reference: Any) -> tuple[str, str] | None:
    """Type and id of what stands beside the resource; what lies on another server has no key here."""
    text = reference.get("reference") if isinstance(reference, dict) else None
    type_, slash, id_ = local_target(text).partition("/") if isinstance(text, str) else ("", "", "")
    return (type_, id_) if slash else None


def _resource_key(_: Context, items: list[Any]) -> list[Any]:
    return [
        one.data["id"]
        for one in items
        if isinstance(one, Node) and is_resource(one.type) and "id" in one.data
    ]


def _reference_key(context: Context, items: list[Any], type_: Evaluated | None = None) -> list[Any]:
    """``type_`` is the name of a type: evaluated on an element of that type it finds the element itself."""
    found = [_target(one.data) for one in items if isinstance(one, Node)]
    return [
        target[1]
        for target in found
        if target is not None and (type_ is None or type_(context.at(Node({}, target[0]))))
    ]


def _join(context: Context, items: list[Any], separator: Evaluated | None = None) -> list[Any]:
    """As in FHIRPath, but that nothing joined is an empty text, as the published tests of views want it."""
    between = "".join(str(value(one)) for one in separator(context)) if separator is not None else ""
    return [between.join(str(value(one)) for one in items if value(one) is not None)]


FUNCTIONS: Functions = {
    "getReferenceKey": (0, 1, _reference_key),
    "getResourceKey": (0, 0, _resource_key),
    "join": (0, 1, _join),
}
