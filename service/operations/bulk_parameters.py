"""What a bulk export is asked for (HL7 FHIR Bulk Data Access 2.0.0, export.html, query parameters)."""

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal
from urllib.parse import unquote_plus

from msgspec import Struct

from service.errors import InvalidInput, Issue, IssueType, Place, ServiceError
from service.fhir.datetimes import instant, interval
from service.fhir.elements import elements
from service.fhir.json import Tree, parse
from service.fhir.references import local_target
from service.fhir.search_clauses import parse_clauses
from service.fhir.search_parameters import compartment, stored_types
from service.fhir.search_query import Chain, Condition, Has
from service.interactions.code_lookup import look_up
from service.interactions.context import Context
from service.interactions.listed import LIST
from service.interactions.matching import reader
from service.interactions.search_control import CONTROL, INCLUDES
from service.operations.arguments import arguments
from service.store.audit import AUDIT
from service.store.contract import Store

__all__ = ["FORMATS", "PROVENANCE", "Associated", "BulkRequest", "Level", "bulk_request", "conditions"]

Level = Literal["", "Patient", "Group"]
"""Everything, what is about patients, or what is about the members of a Group."""
Associated = Literal["", "latest", "relevant"]
FORMATS = ("application/fhir+ndjson", "application/ndjson", "ndjson")
PROVENANCE = "Provenance"
_ASSOCIATED: dict[str, Associated] = {
    "LatestProvenanceResources": "latest",
    "RelevantProvenanceResources": "relevant",
}
_NEXT_FILTER = re.compile(r",(?=[A-Z][A-Za-z]*\?)")
_OPERATIONS: dict[Level, str] = {"": "export", "Patient": "patient-export", "Group": "group-export"}
_OF_RELEASES = frozenset({"variant", "project", "approval"})
_RESEARCH = _OF_RELEASES | {"_outputFormat", "_type"}


class BulkRequest(Struct, frozen=True):
    """What leaves. ``types``: only these. ``since``: only what was written later than this instant.

    ``filters`` are (type, query text): of a type that has some, what one of them finds. ``elements``: only
    these, as ``element`` or ``Type.element``. ``patients``: only what is about these ids; None for all there
    are. ``associated``: which Provenance goes along instead of all. ``variant`` names the policy of a
    research export. ``left_out`` are sentences about what was asked for and is not offered.
    """

    level: Level = ""
    group: str = ""
    types: tuple[str, ...] = ()
    since: str = ""
    filters: tuple[tuple[str, str], ...] = ()
    elements: tuple[str, ...] = ()
    patients: tuple[str, ...] | None = None
    associated: Associated = ""
    variant: str = ""
    project: str = ""
    approval: str = ""
    left_out: tuple[str, ...] = ()


@dataclass(slots=True)
class _Given:
    """The parameters as they were given, and what is wrong with them."""

    lenient: bool
    found: dict[str, list[Any]] = field(default_factory=dict)
    issues: list[Issue] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)

    def texts(self, name: str) -> list[str]:
        """The values of a parameter that may be repeated or hold several, separated by commas."""
        return [one.strip() for text in self.found.get(name, ()) for one in str(text).split(",")]

    def one(self, name: str) -> str:
        """The value of a parameter that may be given once, empty if it is not."""
        return str(self.found.get(name, [""])[0])

    def refuse(self, name: str, why: str) -> None:
        """Note a value that can't be read."""
        self.issues.append(_issue(name, f"Parameter '{name[:64]}': {why}."))

    def not_offered(self, name: str, why: str) -> None:
        """Note what is not offered: it is left out for who asks to be handled leniently."""
        text = f"Parameter '{name[:64]}': {why}."
        if self.lenient:
            self.left_out.append(text)
        else:
            self.issues.append(_issue(name, text, IssueType.NOT_SUPPORTED))


async def bulk_request(  # noqa: PLR0913 - what the request consists of
    level: Level,
    query: Sequence[tuple[str, str]],
    body: bytes,
    *,
    store: Store,
    research: bool,
    may: Callable[[str], bool],
    context: Context,
) -> BulkRequest:
    """Read the parameters of an address and of a posted Parameters resource.

    ``may`` tells whether the caller may read a type; ``store`` is what they see. ``research``: it is for a
    research export, which takes fewer. InvalidInput names every parameter that can't be used; what is not
    offered is left out instead when ``context.lenient``, and told in ``left_out``.
    """
    given = _Given(context.lenient)
    for name, value in [*query, *_posted(body, context.max_depth)]:
        _take(given, _OPERATIONS[level], name, value, research=research)
    if (format_ := given.one("_outputFormat")) and format_.replace(" ", "+") not in FORMATS:
        given.not_offered("_outputFormat", f"files are written as {FORMATS[0]} alone")
    types = _types(given, level, may, research=research)
    request = BulkRequest(
        level,
        types=types,
        since=_since(given, context),
        filters=await _filters(given, types, store, context),
        elements=_elements(given, types),
        patients=_patients(given, context),
        associated=_associated(given),
        variant=given.one("variant"),
        project=given.one("project"),
        approval=given.one("approval"),
        left_out=tuple(dict.fromkeys(given.left_out)),
    )
    if given.issues:
        raise InvalidInput(given.issues)
    return request


async def conditions(store: Store, type_: str, query: str, context: Context) -> tuple[Condition, ...]:
    """Answer what a ``_typeFilter`` asks of a type; InvalidInput names what can't be used.

    ``query`` is the text behind the question mark.
    """
    pairs = [
        (unquote_plus(name), unquote_plus(value))
        for name, _, value in (part.partition("=") for part in query.split("&") if part)
    ]
    steering = [name for name, _ in pairs if name.partition(":")[0] in {*CONTROL, *INCLUDES, LIST}]
    if steering:
        raise InvalidInput(
            [_issue("_typeFilter", f"'{name[:64]}' can't be used in a _typeFilter.") for name in steering]
        )
    codes = await look_up(store, pairs, context=context)
    asked = parse_clauses(type_, pairs, reader=replace(reader(context), codes=codes))
    if any(isinstance(one, (Chain, Has)) for one in asked.clauses):
        raise InvalidInput(_issue("_typeFilter", "Chaining and _has can't be used in a _typeFilter."))
    return asked.clauses


def _posted(body: bytes, max_depth: int) -> Iterator[tuple[str, Any]]:
    """Name and value of each parameter of a Parameters resource: text, or a Reference's tree."""
    if not body.strip():
        return
    tree = parse(body, max_depth=max_depth)
    entries = tree.get("parameter", [])
    if tree.get("resourceType") != "Parameters" or not isinstance(entries, list):
        raise InvalidInput("The body must be a Parameters resource.", expression="resourceType")
    for entry in entries:
        told: Tree = entry if isinstance(entry, dict) else {}
        value = next((value for name, value in told.items() if name.startswith("value")), None)
        yield str(told.get("name", "")), value if isinstance(value, (str, dict)) else str(value)


def _take(given: _Given, operation: str, name: str, value: Any, *, research: bool) -> None:
    """Take one parameter, or note why it can't be."""
    if research and name not in _RESEARCH:
        given.not_offered(name, "it is not offered for a research export")
        return
    if not research and name in _OF_RELEASES:
        given.not_offered(name, "it is for a token that may export for research and nothing else")
        return
    if isinstance(value, dict):
        if name != "patient" or not isinstance(value.get("reference"), str):
            given.refuse(name, "its value can't be read")
            return
        given.found.setdefault(name, []).append(value["reference"])
        return
    try:
        read = arguments(operation, [(name, value)])
    except InvalidInput as error:
        for issue in error.issues:
            _unknown(given, name, issue)
        return
    if name in given.found and name in {"_outputFormat", "_since", *_OF_RELEASES}:
        given.refuse(name, "give it once")
    given.found.setdefault(name, []).extend(read[name])


def _unknown(given: _Given, name: str, issue: Issue) -> None:
    if name == "patient":
        given.refuse(name, "it is a Reference in a posted Parameters resource")
    elif given.lenient and "is not a parameter" in issue.message:
        given.left_out.append(issue.message)
    else:
        given.issues.append(issue)


def _types(given: _Given, level: Level, may: Callable[[str], bool], *, research: bool) -> tuple[str, ...]:
    """The types that leave."""
    there = [type_ for type_ in (compartment("Patient") if level else stored_types()) if type_ != AUDIT]
    named = given.texts("_type")
    for type_ in dict.fromkeys(named):
        if type_ not in stored_types() or type_ == AUDIT:
            given.not_offered("_type", f"'{type_[:64]}' is not a resource type that is exported here")
        elif type_ not in there:
            given.not_offered("_type", f"{type_} is not part of a patient's compartment")
        elif not research and not may(type_):
            given.not_offered("_type", f"your token does not allow to read {type_}")
    wanted = [type_ for type_ in there if not named or type_ in named]
    if research:
        return tuple(wanted) if named else ()
    return tuple(type_ for type_ in wanted if may(type_))


def _since(given: _Given, context: Context) -> str:
    text = given.one("_since").replace(" ", "+")
    if not text:
        return ""
    try:
        low, high = interval(text, context.zone)
    except ValueError as error:
        given.refuse("_since", f"{error}")
        return ""
    if "T" not in text or high - low > 1_000 or not re.search(r"(Z|[+-]\d\d:\d\d)$", text):
        given.refuse("_since", "it is an instant, such as 2026-02-04T10:30:00Z")
        return ""
    return instant(low)


async def _filters(
    given: _Given, types: Sequence[str], store: Store, context: Context
) -> tuple[tuple[str, str], ...]:
    found: list[tuple[str, str]] = []
    for text in (one for said in given.found.get("_typeFilter", ()) for one in _NEXT_FILTER.split(str(said))):
        type_, mark, query = text.strip().partition("?")
        if not mark:
            given.refuse("_typeFilter", "it is written Type?parameter=value")
        elif type_ not in types:
            given.not_offered("_typeFilter", f"'{type_[:64]}' is not among the types that are exported")
        else:
            await _filter(given, found, type_, query, store, context)
    return tuple(found)


async def _filter(  # noqa: PLR0913, PLR0917 - one of several, with what all of them need
    given: _Given, found: list[tuple[str, str]], type_: str, query: str, store: Store, context: Context
) -> None:
    try:
        await conditions(store, type_, query, context)
        found.append((type_, query))
    except ServiceError as error:
        for issue in error.issues:
            given.not_offered("_typeFilter", issue.message.removesuffix("."))


def _elements(given: _Given, types: Sequence[str]) -> tuple[str, ...]:
    found: list[str] = []
    for text in given.texts("_elements"):
        type_, dot, name = text.rpartition(".")
        among = [type_] if dot else [*(types or stored_types())]
        known = any(
            name in {one.name, one.choice}
            for one_type in among
            if one_type in stored_types()
            for one in elements(one_type).values()
        )
        if known:
            found.append(text)
        else:
            given.not_offered("_elements", f"'{text[:64]}' is no element at the top of what is exported")
    return tuple(dict.fromkeys(found))


def _patients(given: _Given, context: Context) -> tuple[str, ...] | None:
    if "patient" not in given.found:
        return None
    found: list[str] = []
    for said in given.found["patient"]:
        type_, _, id_ = local_target(said if "/" in said else f"Patient/{said}", context.base).partition("/")
        if type_ == "Patient":
            found.append(id_)
        else:
            given.refuse("patient", "each is a reference to a Patient here, such as Patient/1")
    return tuple(dict.fromkeys(found))


def _associated(given: _Given) -> Associated:
    found: set[Associated] = set()
    for text in given.texts("includeAssociatedData"):
        if text in _ASSOCIATED:
            found.add(_ASSOCIATED[text])
        else:
            given.not_offered("includeAssociatedData", f"there is {' and '.join(_ASSOCIATED)}")
    return "relevant" if "relevant" in found else ("latest" if found else "")


def _issue(name: str, text: str, code: IssueType = IssueType.VALUE) -> Issue:
    return Issue(text, code=code, place=Place(expression=f"http.{name[:64]}"))
