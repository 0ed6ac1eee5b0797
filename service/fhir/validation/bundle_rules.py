"""Addresses and references inside a Bundle (bundle.html, documents.html, messaging.html)."""

import re
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from service.errors import IssueType
from service.fhir.elements import is_resource
from service.fhir.json import Tree
from service.fhir.validation.entries import Entries
from service.fhir.validation.fault import Fault
from service.fhir.validation.scope import Found, Scope

__all__ = ["bundle_rules", "search_score"]

_ABSOLUTE = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:.+")
_RESTFUL = re.compile(r"https?://.+/([A-Za-z]+)/([A-Za-z0-9\-.]{1,64})")
_FULL_URL = "The fullUrl of an entry must be an absolute address, as https://… or urn:uuid:…."
_OTHER_ID = "The fullUrl names another id than the resource has."
_NO_ID = "The fullUrl names an id, but the resource has none."
_NO_OUTCOME = "An entry of the mode outcome holds an OperationOutcome."
_OTHER_TYPE = "The fullUrl names another type than the resource has."
_NOT_IN_DOCUMENT = "What the {} of a {} refers to must be in the Bundle."
_SCORE = "The score is between 0 and 1."
_TWO = "The reference leads to more than one entry of the Bundle."
_BESIDE = frozenset({"contained", "extension", "modifierExtension"})
_FIRST = {"document": "Composition", "message": "MessageHeader"}


def bundle_rules(bundle: Tree, scope: Scope) -> Found:
    """Check the addresses of entries, and that a document or message holds what its first entry refers to."""
    given: Any = bundle.get("entry")
    nodes = [one if isinstance(one, dict) else {} for one in given] if isinstance(given, list) else []
    found = [fault for place, node in enumerate(nodes) for fault in _entry(f".entry[{place}]", node)]
    if bundle.get("type") == "searchset":
        found += [fault for place, node in enumerate(nodes) for fault in _found(f".entry[{place}]", node)]
    if scope.entries and (type_ := str(bundle.get("type"))) in _FIRST:
        found += _whole(type_, nodes, scope.entries)
    return found or None


def search_score(search: Tree, _: Scope) -> Found:
    """Check the rank of what a search found."""
    score: Any = search.get("score")
    number = type(score) is int or isinstance(score, Decimal)
    return [Fault(".score", _SCORE, IssueType.VALUE)] if number and not 0 <= score <= 1 else None


def _entry(at: str, entry: Tree) -> Iterator[Fault]:
    """The address of an entry is absolute and that of its resource."""
    address = entry.get("fullUrl")
    if type(address) is not str:
        return
    if not _ABSOLUTE.fullmatch(address):
        yield Fault(at, _FULL_URL, IssueType.VALUE)
    named, resource = _RESTFUL.fullmatch(address), entry.get("resource")
    if not named or not is_resource(named[1]) or not isinstance(resource, dict):
        return
    if isinstance(resource.get("id"), str) and resource["id"] != named[2]:
        yield Fault(at, _OTHER_ID, IssueType.VALUE)
    if "id" not in resource and "request" not in entry:
        yield Fault(at, _NO_ID, IssueType.REQUIRED)
    if isinstance(resource.get("resourceType"), str) and resource["resourceType"] != named[1]:
        yield Fault(at, _OTHER_TYPE, IssueType.VALUE)


def _found(at: str, entry: Tree) -> Iterator[Fault]:
    """What a search tells beside what it found is an OperationOutcome."""
    resource, search = entry.get("resource"), entry.get("search")
    if not isinstance(resource, dict):
        return
    outcome = isinstance(search, dict) and search.get("mode") == "outcome"
    if outcome and resource.get("resourceType") != "OperationOutcome":
        yield Fault(f"{at}.resource", _NO_OUTCOME, IssueType.VALUE)


def _whole(type_: str, nodes: list[Any], entries: Entries) -> Iterator[Fault]:
    """References of the first entry that lead out of the Bundle, or to several of its entries."""
    first = nodes[0].get("resource") if nodes else None
    if not isinstance(first, dict) or first.get("resourceType") != _FIRST[type_]:
        return
    names = frozenset[str]() if type_ == "document" else frozenset({"focus"})
    for path, text in _references(first, ".entry[0].resource", names):
        if text.startswith("#"):
            continue
        found = entries.found(text, first)
        if not found:
            yield Fault(path, _NOT_IN_DOCUMENT.format(_FIRST[type_], type_), IssueType.NOT_FOUND)
        elif len(found) > 1:
            yield Fault(path, _TWO, IssueType.MULTIPLE_MATCHES)


def _references(node: Any, path: str, names: frozenset[str] = frozenset()) -> Iterator[tuple[str, str]]:
    """Every reference below a node, with its path; ``names`` are the elements to look into, none is all."""
    if isinstance(node, list):
        for place, one in enumerate(node):
            yield from _references(one, f"{path}[{place}]")
    elif isinstance(node, dict):
        if isinstance(node.get("reference"), str):
            yield path, node["reference"]
        for name, value in node.items():
            wanted = name in names if names else name not in _BESIDE
            if wanted and isinstance(value, (dict, list)):
                yield from _references(value, f"{path}.{name}")
