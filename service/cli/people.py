"""Finding stored people by what the clinic calls them."""

from service.errors import NotFound
from service.fhir import json
from service.fhir.search_clauses import Reader, parse_clauses
from service.settings import Settings
from service.store.contract import Query, Store, Version

__all__ = ["by_identifier", "person_id", "person_name"]


async def by_identifier(store: Store, type_: str, identifier: str, settings: Settings) -> Version:
    """The resource with the business identifier ``system|value``; NotFound if there is none."""
    asked = parse_clauses(type_, [("identifier", identifier)], reader=Reader(settings.zone, now=0))
    page = await store.search(Query(type_, asked.clauses))
    if not page.versions:
        raise NotFound(f"{type_} {identifier} was not found.")
    return page.versions[0]


async def person_id(store: Store, named: str, settings: Settings) -> str:
    """The id of a Patient given as ``system|value``, ``Patient/id`` or ``id``; NotFound if there is none."""
    if "|" in named:
        return (await by_identifier(store, "Patient", named, settings)).id
    return named.removeprefix("Patient/")


async def person_name(store: Store, id_: str) -> str:
    """Given and family name of a stored patient, or the id where there is none."""
    stored = await store.read("Patient", id_)
    names = json.reread(stored.content).get("name", []) if stored and not stored.deleted else []
    parts = [*names[0].get("given", []), names[0].get("family", "")] if names else []
    return " ".join(part for part in parts if part) or id_
