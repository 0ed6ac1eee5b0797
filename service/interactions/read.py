"""The read, vread and history interactions (FHIR R4 http.html)."""

from service.errors import Gone, NotFound
from service.fhir.bundle import Item, bundle
from service.interactions.context import Context
from service.interactions.entry import known_type
from service.store.contract import Store, Transaction, Version

__all__ = ["history", "read", "vread"]

_STATUS = {"POST": "201 Created", "PUT": "200 OK", "DELETE": "204 No Content"}


async def read(store: Store | Transaction, type_: str, id_: str, *, context: Context) -> Version:
    """Answer the current version. NotFound if there never was one, Gone if it was deleted."""
    known_type(type_)
    context.allow("r", type_)
    return _there(await store.read(type_, id_), f"{type_}/{id_[:64]}")


async def vread(store: Store, type_: str, id_: str, version: str, *, context: Context) -> Version:
    """Answer one version by its versionId text. NotFound, or Gone if that version is a deletion."""
    known_type(type_)
    context.allow("r", type_)
    known = version.isascii() and version.isdigit() and len(version) < 10
    found = await store.vread(type_, id_, int(version)) if known else None
    return _there(found, f"version {version[:64]} of {type_}/{id_[:64]}")


async def history(store: Store, type_: str, id_: str, *, context: Context) -> bytes:
    """Answer a Bundle of type history: every version, newest first. NotFound if there is none."""
    known_type(type_)
    context.allow("r", type_)
    versions = await store.history(type_, id_)
    if not versions:
        raise NotFound(f"There is no {type_}/{id_[:64]}.")
    url = f"{context.base}/{type_}/{id_}"
    items = [_item(version, url) for version in versions]
    return bundle("history", items, total=len(items), links=[("self", f"{url}/_history")])


def _there(version: Version | None, name: str) -> Version:
    if version is None:
        raise NotFound(f"There is no {name}.")
    if version.deleted:
        raise Gone(f"{name} was deleted; its versions stay readable in its history.")
    return version


def _item(version: Version, url: str) -> Item:
    created = version.version == 1 and version.method == "PUT"
    asked = version.type if version.method == "POST" else f"{version.type}/{version.id}"
    status = "201 Created" if created else _STATUS[version.method]
    response = {"status": status, "etag": version.etag, "lastModified": version.last_updated}
    return Item(
        url, version.content, {"request": {"method": version.method, "url": asked}, "response": response}
    )
