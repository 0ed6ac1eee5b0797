"""Invariants of Bundle."""

from service.fhir.json import Tree
from service.fhir.validation.invariants.conditions import Rule, at_least_one, only_for, plain
from service.fhir.validation.reading import distinct, parts, text, there

__all__ = ["RULES"]

_REQUESTS = ("batch", "transaction", "history")
_RESPONSES = ("batch-response", "transaction-response", "history")


def _search_only_in_search(bundle: Tree, _resource: Tree, _root: Tree) -> bool:
    return bundle.get("type") == "searchset" or not any("search" in entry for entry in parts(bundle, "entry"))


def _requests(bundle: Tree, _resource: Tree, _root: Tree) -> bool:
    return _each_entry(bundle, "request", _REQUESTS)


def _responses(bundle: Tree, _resource: Tree, _root: Tree) -> bool:
    return _each_entry(bundle, "response", _RESPONSES)


def _each_entry(bundle: Tree, name: str, types: tuple[str, ...]) -> bool:
    entries = parts(bundle, "entry")
    if not text(bundle, "type"):
        return not entries
    wanted = bundle["type"] in types
    return all((name in entry) == wanted for entry in entries)


def _unique_full_urls(bundle: Tree, _resource: Tree, _root: Tree) -> bool:
    return bundle.get("type") == "history" or distinct(
        entry["fullUrl"] + _version(entry)
        for entry in parts(bundle, "entry")
        if isinstance(entry.get("fullUrl"), str)
    )


def _version(entry: Tree) -> str:
    return next((text(meta, "versionId") for meta in parts(entry, "resource", "meta")), "")


def _full_url_without_version(entry: Tree, _resource: Tree, _root: Tree) -> bool:
    return "/_history/" not in text(entry, "fullUrl")


def _document_has_identifier(bundle: Tree, _resource: Tree, _root: Tree) -> bool:
    if not _is_type(bundle, "document"):
        return True
    return any(there(one, "system") and there(one, "value") for one in parts(bundle, "identifier"))


def _document_has_date(bundle: Tree, _resource: Tree, _root: Tree) -> bool:
    return not _is_type(bundle, "document") or "timestamp" in bundle


def _document_starts_with_composition(bundle: Tree, _resource: Tree, _root: Tree) -> bool:
    return not _is_type(bundle, "document") or _first_type(bundle) == "Composition"


def _message_starts_with_header(bundle: Tree, _resource: Tree, _root: Tree) -> bool:
    return not _is_type(bundle, "message") or _first_type(bundle) == "MessageHeader"


def _is_type(bundle: Tree, type_: str) -> bool:
    """Whether the Bundle is of this type; one without a type may be of any."""
    return text(bundle, "type") in {"", type_}


def _first_type(bundle: Tree) -> str:
    first = parts(bundle, "entry")[:1]
    return next((text(one, "resourceType") for one in parts(first[0], "resource")), "") if first else ""


RULES: dict[str, Rule] = {
    "bdl-1": only_for("type", ("searchset", "history"), "total"),
    "bdl-2": plain(_search_only_in_search),
    "bdl-3": plain(_requests),
    "bdl-4": plain(_responses),
    "bdl-5": at_least_one("resource", "request", "response"),
    "bdl-7": plain(_unique_full_urls),
    "bdl-8": plain(_full_url_without_version),
    "bdl-9": plain(_document_has_identifier),
    "bdl-10": plain(_document_has_date),
    "bdl-11": plain(_document_starts_with_composition),
    "bdl-12": plain(_message_starts_with_header),
}
