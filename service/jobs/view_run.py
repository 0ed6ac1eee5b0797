"""``$viewdefinition-run``: the rows of one view (SQL on FHIR 2), of what is stored or of what may leave.

The request may bring a ViewDefinition along, which is no resource of R4: it is read here, before the rest of
the parameters.
"""

from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from service.errors import InvalidInput, Issue, NotFound, Place
from service.fhir.datetimes import interval
from service.fhir.json import Tree, dump, parse, reread
from service.fhir.references import local_target
from service.fhir.search_parameters import stored_types
from service.interactions.context import Context
from service.jobs.tables import Table, table_of, tables
from service.operations.arguments import Arguments, arguments
from service.store.contract import Query, Store, Version
from service.store.pages import about, every

__all__ = ["ViewRun", "asked_for", "texts_for"]

_NAME = "viewdefinition-run"
_OURS = ("viewReference", "viewResource", "patient", "group", "_since", "source", "resource")
_UTC = ZoneInfo("UTC")
_SEVERAL = {"group", "resource"}
_PAGE = 500


@dataclass(frozen=True, slots=True)
class ViewRun:
    """What is asked for: a table, of whom (empty: of everybody), how many rows, by which policy if by any.

    ``groups`` are ids of Groups, ``since`` milliseconds since 1970; of ``resources``, which were sent along,
    the rows are made if there are any.
    """

    table: Table
    format: str = ""
    header: bool = True
    patient: str = ""
    groups: tuple[str, ...] = ()
    since: int | None = None
    resources: tuple[Tree, ...] = ()
    most: int | None = None
    variant: str = ""
    project: str = ""
    approval: str = ""


def asked_for(query: Sequence[tuple[str, str]], body: bytes, *, max_depth: int) -> ViewRun:
    """Read the parameters of address and body; InvalidInput names what is wrong, NotFound: no such view."""
    own, rest = _parted(body, max_depth)
    own += [(name, value) for name, value in query if name in _OURS]
    given = arguments(_NAME, [pair for pair in query if pair[0] not in _OURS], rest, max_depth=max_depth)
    _once(own)
    named = dict(own)
    if "viewReference" in named and "viewResource" in named:
        raise InvalidInput("Give viewReference or viewResource, not both.", expression="http.viewReference")
    _fitting(named, by_variant=bool(given.get("variant")))
    return ViewRun(
        _table(named),
        _text(given, "_format"),
        _text(given, "header") != "false",
        _id("patient", "Patient", named["patient"]) if "patient" in named else "",
        tuple(_id("group", "Group", value) for name, value in own if name == "group"),
        _since(named["_since"]) if "_since" in named else None,
        tuple(_sent(value) for name, value in own if name == "resource"),
        int(_text(given, "_limit")) if "_limit" in given else None,
        _text(given, "variant"),
        _text(given, "project"),
        _text(given, "approval"),
    )


async def texts_for(store: Store, asked: ViewRun, context: Context) -> AsyncIterator[bytes]:
    """Give the texts the view is made of: what was sent along, or what is stored and the caller may read."""
    if asked.resources:
        for tree in asked.resources:
            if tree["resourceType"] == asked.table.view.definition.resource:
                yield dump(tree)
        return
    async for version in _stored(store, asked, context):
        if asked.since is None or interval(version.last_updated, _UTC)[0] >= asked.since:
            yield version.content


async def _stored(store: Store, asked: ViewRun, context: Context) -> AsyncIterator[Version]:
    type_ = asked.table.view.definition.resource
    for action in ("r", "s"):
        context.allow(action, type_)
    people = [asked.patient] if asked.patient else []
    if asked.groups:
        context.allow("r", "Group")
        members = [one for group in asked.groups for one in await _members(store, group)]
        people = [one for one in dict.fromkeys(members) if not people or one in people]
    elif not people:
        async for version in every(store, Query(type_, count=_PAGE, total="none")):
            yield version
    for person in people:
        async for version in _about(store, type_, person):
            yield version


async def _about(store: Store, type_: str, person: str) -> AsyncIterator[Version]:
    if type_ != "Patient":
        async for version in every(store, about(type_, person)):
            yield version
        return
    found = await store.read("Patient", person)
    if found is not None and not found.deleted:
        yield found


async def _members(store: Store, group: str) -> list[str]:
    """The ids of the Patients who are in a Group; NotFound, or InvalidInput if it names nobody."""
    found = await store.read("Group", group)
    if found is None or found.deleted:
        raise NotFound(f"There is no Group/{group[:64]}.")
    tree = reread(found.content)
    if not tree.get("actual"):
        raise InvalidInput("This Group describes people and names none.", expression="http.group")
    targets = (
        local_target(str(member.get("entity", {}).get("reference", "")))
        for member in tree.get("member", [])
        if not member.get("inactive")
    )
    return [target.removeprefix("Patient/") for target in targets if target.startswith("Patient/")]


def _parted(body: bytes, max_depth: int) -> tuple[list[tuple[str, Any]], bytes]:
    """The parameters that are read here, and a body with the others."""
    if not body.strip():
        return [], b""
    tree = parse(body, max_depth=max_depth)
    entries = tree.get("parameter", [])
    if tree.get("resourceType") != "Parameters" or not isinstance(entries, list):
        raise InvalidInput("The body must be a Parameters resource.", expression="resourceType")
    own = [one for one in entries if isinstance(one, dict) and one.get("name") in _OURS]
    others = [one for one in entries if one not in own]
    rest = dump({**tree, "parameter": others}) if others else b""
    return [(one["name"], _value(one)) for one in own], rest


def _value(part: Tree) -> Any:
    return next((value for name, value in part.items() if name != "name"), None)


def _fitting(named: Tree, *, by_variant: bool) -> None:
    """Refuse what can't be answered, or not together; InvalidInput names all of it."""
    problems: list[Issue] = []
    if "source" in named:
        problems.append(
            _problem(
                "source", "Rows are made of what is stored here, or sent along; no other source is read."
            )
        )
    for name in ("patient", "group", "_since", "resource"):
        if by_variant and name in named:
            problems.append(
                _problem(name, f"By a variant rows of a whole release are answered, not by {name}.")
            )
        elif "resource" in named and name in named and name != "resource":
            problems.append(
                _problem(name, f"Of resources that are sent along all make rows; leave out {name}.")
            )
    if problems:
        raise InvalidInput(problems)


def _problem(name: str, text: str) -> Issue:
    return Issue(text, place=Place(f"http.{name}"))


def _once(own: Sequence[tuple[str, Any]]) -> None:
    for name in _OURS:
        if name not in _SEVERAL and sum(said == name for said, _ in own) > 1:
            raise InvalidInput(f"Give '{name}' at most 1 time(s).", expression=f"http.{name}")


def _table(named: Tree) -> Table:
    if "viewResource" in named:
        table = table_of(named["viewResource"])
        if table.view.definition.resource not in stored_types():
            raise InvalidInput(
                "This service stores no such type of resource.", expression="ViewDefinition.resource"
            )
        return table
    if "viewReference" not in named:
        raise InvalidInput("Name a view (viewReference) or send one.", expression="http.viewReference")
    said = _reference(named["viewReference"])
    for table in tables().values():
        definition = table.view.definition
        if said in {table.name, f"ViewDefinition/{table.name}", definition.url, table.canonical}:
            return table
    raise NotFound(f"There is no such view; there are: {', '.join(tables())}.")


def _id(name: str, wanted: str, value: Any) -> str:
    said = _reference(value)
    target = local_target(said if "/" in said else f"{wanted}/{said}")
    type_, _, id_ = target.partition("/")
    if type_ != wanted:
        raise InvalidInput(f"{name} is a reference to a {wanted} here.", expression=f"http.{name}")
    return id_


def _since(value: Any) -> int:
    try:
        return interval(str(value), _UTC)[0]
    except ValueError:
        raise InvalidInput(
            f"'{str(value)[:40]}' is not an instant such as 2026-02-04T09:00:00Z.", expression="http._since"
        ) from None


def _sent(value: Any) -> Tree:
    """A resource that was sent along."""
    if not isinstance(value, dict) or value.get("resourceType") not in stored_types():
        raise InvalidInput(
            "resource is a resource of a type that is stored here.", expression="http.resource"
        )
    return value


def _reference(value: Any) -> str:
    text = value.get("reference") if isinstance(value, dict) else value
    if not isinstance(text, str):
        raise InvalidInput("A reference is needed here, such as ViewDefinition/trial or Patient/1.")
    return text


def _text(given: Arguments, name: str) -> str:
    return str(given[name][0]) if name in given else ""
