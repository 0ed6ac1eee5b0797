"""Patches of a resource: the formats, and what holds of every result (FHIR R4 http.html, patch).

A patch changes a tree it is given for itself alone; if it can't be carried out, nothing of that tree is kept.
"""

from base64 import b64decode
from collections.abc import Callable, Mapping
from typing import Any

from service.errors import InvalidInput, Issue, IssueType, Place, RuleViolation
from service.fhir import xml
from service.fhir.json import Tree, parse, sorted_text
from service.fhir.patch_fhirpath import fhirpath_patch
from service.fhir.patch_json import json_patch
from service.fhir.patch_xml import xml_patch

__all__ = ["PATCH_FORMATS", "Patch", "patch_of", "patched", "read_patch"]

Patch = Callable[[Tree], Any]
"""Changes the tree and answers the result. RuleViolation if it can't be done."""

_MACHINE_MADE = frozenset({"generated", "extensions"})


def _parameters(body: bytes, max_depth: int) -> Patch:
    return fhirpath_patch(parse(body, max_depth=max_depth))


_READERS: Mapping[str, Callable[[bytes, int], Patch]] = {
    "application/json-patch+json": lambda body, depth: json_patch(body, max_depth=depth),
    "application/fhir+json": _parameters,
    "application/json": _parameters,
    "application/fhir+xml": lambda body, depth: fhirpath_patch(xml.parse(body, max_depth=depth)),
    "application/xml-patch+xml": lambda body, depth: xml_patch(body, max_depth=depth),
}

PATCH_FORMATS = tuple(_READERS)
"""The media types a patch can have: JSON Patch, XML Patch, and FHIRPath Patch as Parameters."""


def read_patch(format_: str, body: bytes, *, max_depth: int = 64) -> Patch:
    """Read a patch in one of PATCH_FORMATS; InvalidInput if it is not one."""
    return _READERS[format_](body, max_depth)


def patched(before: Tree, working: Tree, patch: Patch) -> Tree:
    """Answer what ``patch`` makes of ``working``, a second reading of ``before``.

    RuleViolation if it can't be done, or changes what only the service sets. A narrative that a machine made
    is left out if other elements changed and it did not: it would tell what is no longer so.
    """
    after = patch(working)
    if not isinstance(after, dict):
        raise RuleViolation("After the patch this is no resource any more.")
    issues = [*_changed_identity(before, after)]
    if issues:
        raise RuleViolation(issues)
    text = after.get("text")
    stale = isinstance(text, dict) and text.get("status") in _MACHINE_MADE and text == before.get("text")
    if stale and sorted_text(_told(before)) != sorted_text(_told(after)):
        del after["text"]
    return after


def _changed_identity(before: Tree, after: Tree) -> list[Issue]:
    type_ = before["resourceType"]
    found = [name for name in ("resourceType", "id") if before.get(name) != after.get(name)]
    meta = after.get("meta")
    if isinstance(meta, dict):
        was = before.get("meta", {})
        set_here = ("versionId", "lastUpdated")
        found += [f"meta.{name}" for name in set_here if name in meta and meta[name] != was.get(name)]
    text = "Only the service sets this; a patch can't change it."
    return [
        Issue(text, code=IssueType.BUSINESS_RULE, place=Place(expression=f"{type_}.{name}")) for name in found
    ]


def _told(tree: Tree) -> Tree:
    """What a narrative may tell of: everything but itself and the labels."""
    return {name: value for name, value in tree.items() if name not in {"text", "meta"}}


def patch_of(resource: Any, *, max_depth: int = 64) -> Patch:
    """Read the patch that an entry of a Bundle carries: Parameters, or a Binary with contentType and data."""
    type_ = resource.get("resourceType") if isinstance(resource, dict) else None
    if type_ == "Parameters":
        return fhirpath_patch(resource)
    if type_ != "Binary":
        raise InvalidInput("A PATCH entry needs a patch: Parameters, or a Binary with contentType and data.")
    format_, data = resource.get("contentType"), resource.get("data")
    if format_ not in PATCH_FORMATS or not isinstance(data, str):
        raise InvalidInput(f"The Binary needs data, and a contentType of: {', '.join(PATCH_FORMATS)}.")
    try:
        body = b64decode("".join(data.split()), validate=True)
    except ValueError:
        raise InvalidInput("The data of the Binary must be base64.") from None
    return read_patch(format_, body, max_depth=max_depth)
