"""Whether a resource is valid R4: the structural part, by ``fhir.resources`` and the rules of FHIR JSON.

The only file that knows ``fhir.resources``. Its R4B classes are equal to R4 on the wire for the types stored.
"""

import re
from collections.abc import Iterator
from decimal import Decimal
from functools import cache
from typing import Any

from fhir.resources.R4B import get_fhir_model_class
from pydantic import BaseModel, ValidationError

from service.errors import Issue, IssueType, Place
from service.fhir.json import Tree

__all__ = ["check"]

_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_ABSTRACT = {"Resource", "DomainResource"}
_RESOURCE = get_fhir_model_class("Resource")
_SENTENCES = {
    "missing": (IssueType.REQUIRED, "This element is required."),
    "model_field_validation.missing": (IssueType.REQUIRED, "This element is required."),
    "extra_forbidden": (
        IssueType.STRUCTURE,
        "There is no such element here; check its spelling or remove it.",
    ),
    "string_type": (IssueType.VALUE, "The value must be a JSON string."),
    "bool_type": (IssueType.VALUE, "The value must be true or false, without quotes."),
    "bool_parsing": (IssueType.VALUE, "The value must be true or false, without quotes."),
    "list_type": (IssueType.STRUCTURE, "This element repeats; write it as a JSON array."),
    "model_type": (IssueType.STRUCTURE, "This element has parts; write it as a JSON object."),
    "json_invalid": (IssueType.STRUCTURE, "This element has parts; write it as a JSON object."),
    "string_pattern_mismatch": (IssueType.VALUE, "The text does not have the form this data type asks for."),
}


def check(resource: Tree, *, at: str = "") -> tuple[Issue, ...]:
    """Answer every problem found, each with its FHIRPath expression; empty when there is none.

    ``at`` is the expression of the resource when it lies inside another (``Bundle.entry[3].resource``).
    Contained resources are checked on their own.
    """
    type_ = resource.get("resourceType")
    if not isinstance(type_, str):
        return (_issue(IssueType.REQUIRED, "A resource needs its resourceType.", at or "resourceType"),)
    root = at or type_
    model = _model(type_)
    if model is None:
        text = f"'{type_[:64]}' is not a resource type of FHIR R4 (names are case-sensitive)."
        return (_issue(IssueType.STRUCTURE, text, f"{root}.resourceType" if at else "resourceType"),)
    found = [*_identity(resource, root)]
    contained = resource.get("contained")
    inner = contained if isinstance(contained, list) else []
    own = {name: value for name, value in resource.items() if name != "contained"} if inner else resource
    found += [*_json_rules(own, root), *_structure(model, own, root)]
    for place, value in enumerate(inner):
        where = f"{root}.contained[{place}]"
        found += check(value, at=where) if isinstance(value, dict) else [_not_an_object(where)]
    return tuple(dict.fromkeys(found))


def _identity(resource: Tree, root: str) -> Iterator[Issue]:
    id_ = resource.get("id")
    if id_ is not None and not (isinstance(id_, str) and _ID.fullmatch(id_)):
        yield _issue(IssueType.VALUE, "An id has 1 to 64 of the characters A-Z a-z 0-9 - and .", f"{root}.id")


def _model(type_: str) -> type[BaseModel] | None:
    try:
        model = get_fhir_model_class(type_)
    except ValueError:
        return None
    return model if issubclass(model, _RESOURCE) and type_ not in _ABSTRACT else None


def _structure(model: type[BaseModel], resource: Tree, root: str) -> Iterator[Issue]:
    try:
        checked = model.model_validate(resource)
    except ValidationError as failed:
        for error in failed.errors(include_url=False, include_context=False):
            if not _beside_a_value(error, resource):
                yield _from_library(error, root)
        yield from _required(model, resource, root)
    except Exception as error:  # noqa: BLE001 - the library lets KeyError, TypeError and others of its own out
        text = f"The resource can't be read as {resource['resourceType']} ({type(error).__name__})."
        yield _issue(IssueType.STRUCTURE, text, root)
    else:
        yield from _json_types(checked, resource, root)


def _beside_a_value(error: Any, resource: Tree) -> bool:
    """Whether it is the id or extensions of an extension's own value, which the library has no place for."""
    if error["type"] != "extra_forbidden":
        return False
    *owner, name = error["loc"]
    if not str(name).startswith("_value"):
        return False
    node: Any = resource
    for step in owner:
        node = node[step]
    own = node.get(name)
    return "url" in node and isinstance(own, dict) and own.keys() <= {"id", "extension"}


def _required(model: Any, resource: Tree, root: str) -> Iterator[Issue]:
    """Required codes and dates of the resource, which the library leaves unsaid beside other faults."""
    code, text = _SENTENCES["missing"]
    for name, _ in model.get_required_fields(None):
        if name not in resource and f"_{name}" not in resource:
            yield _issue(code, text, f"{root}.{name}")


def _from_library(error: Any, root: str) -> Issue:
    code, text = _SENTENCES.get(error["type"], (IssueType.VALUE, ""))
    message = str(error["msg"]).removeprefix("Value error, ").strip()
    if "Any of one field value is expected" in message:
        code = IssueType.INVARIANT
        choices = message[message.index("[") + 1 : message.index("]")].replace("'", "")
        text = f"Only one of these may be given: {choices}."
        if "got multiple" not in message:
            code, text = IssueType.REQUIRED, f"One of these is required: {choices}."
    return _issue(code, text or f"{message.rstrip('.!')}.", _path(root, error["loc"]))


def _path(root: str, steps: tuple[int | str, ...]) -> str:
    return root + "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in steps)


def _json_rules(node: Any, at: str, *, in_list: bool = False) -> Iterator[Issue]:
    """What FHIR JSON forbids everywhere: empty values, and null outside arrays of primitives (json.html)."""
    if isinstance(node, dict):
        if not node:
            yield _issue(IssueType.STRUCTURE, "An object must not be empty; leave the element out.", at)
        for name, value in node.items():
            if not value or not isinstance(value, str):  # most are strings and right
                yield from _json_rules(value, f"{at}.{name}")
    elif isinstance(node, list):
        if not node or all(value is None for value in node):
            yield _issue(IssueType.STRUCTURE, "An array must not be empty; leave the element out.", at)
        for place, value in enumerate(node):
            yield from _json_rules(value, f"{at}[{place}]", in_list=True)
    elif node == "":
        yield _issue(IssueType.VALUE, "A string must not be empty; leave the element out.", at)
    elif node is None and not in_list:
        yield _issue(IssueType.STRUCTURE, "null is not allowed here; leave the element out.", at)


def _json_types(value: Any, sent: Any, at: str) -> Iterator[Issue]:
    """Values the library converted silently: a boolean or number sent as a string, an integer sent as 1.0."""
    if isinstance(sent, dict) and isinstance(value, BaseModel):
        names = _attributes(type(value))
        name: str
        for name, inner in sent.items():
            own = getattr(value, names.get(name) or name, None)
            if type(own) is not str or type(inner) is not str:  # most are strings and right
                yield from _json_types(own, inner, f"{at}.{name}")
    elif isinstance(sent, list) and isinstance(value, list):
        for place, (own, inner) in enumerate(zip(value, sent, strict=False)):
            yield from _json_types(own, inner, f"{at}[{place}]")
    elif (wanted := _wanted(value, sent)) is not None:
        yield _issue(IssueType.VALUE, f"The value must be {wanted}.", at)


def _wanted(value: Any, sent: Any) -> str | None:
    """What JSON kind ``sent`` should have been for the value read from it; None if it was right."""
    if isinstance(value, BaseModel):
        return None if isinstance(sent, dict) else "a JSON object"
    if isinstance(value, bool):
        return None if isinstance(sent, bool) else "true or false, without quotes"
    if isinstance(value, int):
        return None if type(sent) is int else "a whole number, without quotes"
    if isinstance(value, Decimal):
        return None if type(sent) is int or isinstance(sent, Decimal) else "a number, without quotes"
    return "a string" if isinstance(sent, (bool, int, Decimal)) else None


@cache
def _attributes(model: type[BaseModel]) -> dict[str, str]:
    return {field.alias or name: name for name, field in model.model_fields.items()}


def _issue(code: IssueType, message: str, expression: str) -> Issue:
    return Issue(message, code=code, place=Place(expression=expression))


def _not_an_object(at: str) -> Issue:
    return _issue(IssueType.STRUCTURE, "A resource must be a JSON object.", at)
