"""``$viewdefinition-run``: the rows of one view (SQL on FHIR 2), of what is stored or of what may leave.

The request may bring a ViewDefinition along, which is no resource of R4: it is read here, before the rest of
the parameters.
"""

from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from typing import Any

from service.errors import InvalidInput, NotFound
from service.fhir.json import Tree, dump, parse
from service.fhir.references import local_target
from service.fhir.search_parameters import stored_types
from service.interactions.context import Context
from service.jobs.tables import Table, table_of, tables
from service.operations.arguments import Arguments, arguments
from service.store.contract import Query, Store
from service.store.pages import about, every

__all__ = ["ViewRun", "asked_for", "stored_texts"]

_NAME = "viewdefinition-run"
_OURS = ("viewReference", "viewResource", "patient")
_PAGE = 500


@dataclass(frozen=True, slots=True)
class ViewRun:
    """What is asked for: a table, of whom (empty: of everybody), how many rows, by which policy if by any."""

    table: Table
    format: str = ""
    header: bool = True
    patient: str = ""
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
    if given.get("variant") and "patient" in named:
        raise InvalidInput(
            "By a variant rows of single patients are not answered.", expression="http.patient"
        )
    return ViewRun(
        _table(named),
        _text(given, "_format"),
        _text(given, "header") != "false",
        _patient(named["patient"]) if "patient" in named else "",
        int(_text(given, "_limit")) if "_limit" in given else None,
        _text(given, "variant"),
        _text(given, "project"),
        _text(given, "approval"),
    )


async def stored_texts(store: Store, asked: ViewRun, context: Context) -> AsyncIterator[bytes]:
    """Give the text of everything the view may be made of and the caller may read."""
    type_ = asked.table.view.definition.resource
    for action in ("r", "s"):
        context.allow(action, type_)
    if asked.patient and type_ == "Patient":
        found = await store.read("Patient", asked.patient)
        if found is not None and not found.deleted:
            yield found.content
        return
    query = about(type_, asked.patient) if asked.patient else Query(type_, count=_PAGE, total="none")
    async for version in every(store, query):
        yield version.content


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
    return [(one["name"], one.get("resource", one.get("valueReference"))) for one in own], rest


def _once(own: Sequence[tuple[str, Any]]) -> None:
    for name in _OURS:
        if sum(said == name for said, _ in own) > 1:
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


def _patient(value: Any) -> str:
    said = _reference(value)
    target = local_target(said if "/" in said else f"Patient/{said}")
    type_, _, id_ = target.partition("/")
    if type_ != "Patient":
        raise InvalidInput("patient is a reference to a Patient here.", expression="http.patient")
    return id_


def _reference(value: Any) -> str:
    text = value.get("reference") if isinstance(value, dict) else value
    if not isinstance(text, str):
        raise InvalidInput("A reference is needed here, such as ViewDefinition/trial or Patient/1.")
    return text


def _text(given: Arguments, name: str) -> str:
    return str(given[name][0]) if name in given else ""
