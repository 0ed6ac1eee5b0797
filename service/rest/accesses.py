"""What a request does, as an AuditEvent tells it: the interaction, what it names, what it searches by."""

import re
from contextlib import suppress
from functools import lru_cache

import msgspec
from starlette.types import Message, Scope

from service.fhir.search_parameters import stored_types
from service.rest.asked_for import named_in, named_in_search
from service.security.audit import Action, Facts, facts_of, request_line

__all__ = ["complete", "describe", "note_bundle", "note_form"]

_ENTITY_TAG = re.compile(rb'W/"([0-9]{1,18})"')
_BY_METHOD: dict[str, tuple[str, Action]] = {
    "GET": ("read", "R"),
    "HEAD": ("read", "R"),
    "PUT": ("update", "U"),
    "PATCH": ("patch", "U"),
    "DELETE": ("delete", "D"),
}
_HISTORIES = {2: "history-system", 3: "history-type", 4: "history-instance"}


_NOTHING = msgspec.Raw(b"[]")
_UNREADABLE = (msgspec.MsgspecError, UnicodeError, RecursionError)


class _Bundle(msgspec.Struct):
    type: str = ""
    entry: msgspec.Raw = _NOTHING


class _Request(msgspec.Struct):
    url: str


class _Entry(msgspec.Struct):
    request: _Request


_bundle = msgspec.json.Decoder(_Bundle)
_entries = msgspec.json.Decoder(list[msgspec.Raw])
_entry = msgspec.json.Decoder(_Entry)


def describe(scope: Scope) -> None:
    """Note what a request does."""
    facts = facts_of(scope)
    if facts is None:
        return
    facts.subtype, facts.action = _interaction(getattr(scope.get("route"), "path", ""), scope["method"])
    parts = scope["path"].split("/")
    is_fhir = parts[1:2] == ["fhir"]
    if is_fhir and len(parts) > 3 and parts[2] in stored_types():
        facts.name(parts[2], parts[3])
    if is_fhir and scope["query_string"]:
        _note_search(facts, scope, scope["query_string"])
    if scope["query_string"] or facts.subtype.startswith("search") or not is_fhir:
        facts.query = request_line(scope)


def note_form(scope: Scope, body: bytes) -> None:
    """Note a form that is searched by; what the address says holds too."""
    if body and (facts := facts_of(scope)) is not None:
        facts.query = request_line(scope, body)
        _note_search(facts, scope, body)


def note_bundle(scope: Scope, body: bytes, base: str) -> None:
    """Note that a Bundle is a transaction, if it says so, and what its entries name below ``base``.

    That it is else a batch is known.
    """
    facts = facts_of(scope)
    if facts is None:
        return
    with suppress(*_UNREADABLE):  # read in earnest, and refused, later
        bundle = _bundle.decode(body)
        if bundle.type == "transaction":
            facts.subtype = "transaction"
        for entry in _entries.decode(bundle.entry):
            _note_entry(facts, entry, f"{base}/")


def _note_entry(facts: Facts, entry: msgspec.Raw, base: str) -> None:
    with suppress(*_UNREADABLE):  # one that is no request does not hide the others
        address = _entry.decode(entry).request.url.removeprefix(base).removeprefix("/")
        if "/" in address or "?" in address:
            for type_, id_ in named_in(address):
                facts.ask(type_, id_)


def _note_search(facts: Facts, scope: Scope, query: bytes) -> None:
    """Note what a search names; of the trail too, as it tells of them."""
    for type_, id_ in named_in_search(scope["path"], query.decode("utf-8", "replace")):
        facts.ask(type_, id_)


def complete(facts: Facts, scope: Scope, answer: Message) -> None:
    """Note what the request names, in the version it was answered; ``answer`` begins the answer."""
    if not facts.subtype:
        describe(scope)
    if facts.target and facts.subtype in {"read", "vread"} and (version := _version(answer)):
        facts.named[f"{facts.target}/_history/{version}"] = None


@lru_cache(maxsize=500)
def _interaction(path: str, method: str) -> tuple[str, Action]:
    """The interaction of a row of the route table, and the letter of what it does."""
    parts = path.split("/")[1:]
    if parts[:1] != ["fhir"] or "$" in path:
        return "operation", "E"
    if "_history" in parts:
        return ("vread" if parts[-1] != "_history" else _HISTORIES[len(parts)]), "R"
    if parts[-1] in {"_search", "{member}"} or (len(parts) < 3 and method in {"GET", "HEAD"}):
        return ("search-type" if "{" in path else "search-system"), "E"
    if method == "POST":
        return ("create", "C") if "{" in path else ("batch", "E")
    return _BY_METHOD.get(method, ("operation", "E"))


def _version(answer: Message) -> str:
    for name, value in answer.get("headers", ()):
        if name == b"etag" and (found := _ENTITY_TAG.fullmatch(value)):
            return found[1].decode()
    return ""
