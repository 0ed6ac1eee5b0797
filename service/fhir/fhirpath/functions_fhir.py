"""What FHIR adds to FHIRPath (FHIR R4 fhirpath.html), and types."""

from typing import Any

from service.fhir.elements import STRUCTURES, elements
from service.fhir.fhirpath.context import Context
from service.fhir.fhirpath.evaluation import Evaluated, Functions, single
from service.fhir.fhirpath.nodes import Node, extends, members, node_of, system_type, value
from service.fhir.fhirpath.values import CannotError

__all__ = ["FUNCTIONS"]


def _has_value(_: Context, items: list[Any]) -> list[Any]:
    return [len(items) == 1 and _valued(items[0])]


def _valued(item: Any) -> bool:
    return not isinstance(item, Node) or (item.primitive and item.data is not None)


def _get_value(_: Context, items: list[Any]) -> list[Any]:
    return [value(item) for item in items if _valued(item)] if len(items) == 1 else []


def _extension(context: Context, items: list[Any], url: Evaluated) -> list[Any]:
    wanted = single(url(context), str)
    found = (extension for item in items for extension in members(item, "extension"))
    return [one for one in found if isinstance(one.data, dict) and one.data.get("url") == wanted]


def _has_extension(context: Context, items: list[Any], url: Evaluated) -> list[Any]:
    return [bool(_extension(context, items, url))]


def _resolve(context: Context, items: list[Any]) -> list[Any]:
    """What references lead to: as the caller knows, else in the resource or Bundle at hand."""
    root = context.environment.variables.get("rootResource")
    found: list[Any] = []
    for item in items:
        text = item.data.get("reference") if isinstance(item, Node) and not item.primitive else value(item)
        if isinstance(text, str) and context.environment.resolve is not None:
            found.append(context.environment.resolve(text))
        elif isinstance(text, str) and isinstance(root, dict):
            found += _targets(text, root)
    return [node_of(one) for one in found if one is not None]


def _targets(text: str, root: dict[str, Any]) -> list[dict[str, Any]]:
    if text == "#":
        return [root]
    if text.startswith("#"):
        return [one for one in _objects(root.get("contained")) if one.get("id") == text[1:]]
    entries = _objects(root.get("entry")) if root.get("resourceType") == "Bundle" else []
    named = [one for one in entries if text in _names(one)]
    return [one["resource"] for one in named if isinstance(one.get("resource"), dict)]


def _names(entry: dict[str, Any]) -> set[str]:
    resource = entry.get("resource")
    own = f"{resource.get('resourceType')}/{resource.get('id')}" if isinstance(resource, dict) else ""
    return {str(entry.get("fullUrl", "")), own}


def _objects(found: Any) -> list[dict[str, Any]]:
    return [one for one in found if isinstance(one, dict)] if isinstance(found, list) else []


def _conforms(context: Context, items: list[Any], profile: Evaluated) -> list[Any]:
    """To a base type; profiles are not known here."""
    url = single(profile(context), str) or ""
    name = url.removeprefix(STRUCTURES)
    if name == url or not elements(name):
        raise CannotError("only the base types of FHIR are known to conformsTo()")
    return [isinstance(item, Node) and extends(item.type, name) for item in items]


def _type(_: Context, items: list[Any]) -> list[Any]:
    return [node_of({"namespace": space, "name": name}) for space, name in map(_type_of, items)]


def _type_of(item: Any) -> tuple[str, str]:
    if not isinstance(item, Node):
        return "System", system_type(item)
    return "FHIR", "BackboneElement" if "." in item.type else item.type


FUNCTIONS: Functions = {
    "conformsTo": (1, 1, _conforms),
    "extension": (1, 1, _extension),
    "getValue": (0, 0, _get_value),
    "hasExtension": (1, 1, _has_extension),
    "hasValue": (0, 0, _has_value),
    "resolve": (0, 0, _resolve),
    "type": (0, 0, _type),
}
