"""The read and vread interactions (FHIR R4 http.html)."""

from service.errors import Gone, NotFound
from service.interactions.context import Asker
from service.interactions.entry import known_type
from service.interactions.security_context import ask_for_context
from service.store.contract import Store, Transaction, Version

__all__ = ["read", "there", "vread"]


async def read(store: Store | Transaction, type_: str, id_: str, *, context: Asker) -> Version:
    """Answer the current version. NotFound if there never was one, Gone if it was deleted."""
    known_type(type_)
    context.allow("r", type_)
    version = there(await store.read(type_, id_), f"{type_}/{id_[:64]}")
    ask_for_context(version, context=context)
    return version


async def vread(store: Store, type_: str, id_: str, version: str, *, context: Asker) -> Version:
    """Answer one version by its versionId text. NotFound, or Gone if that version is a deletion."""
    known_type(type_)
    context.allow("r", type_)
    known = version.isascii() and version.isdigit() and len(version) < 10 and version[0] != "0"
    found = await store.vread(type_, id_, int(version)) if known else None
    kept = there(found, f"version {version[:64]} of {type_}/{id_[:64]}")
    ask_for_context(kept, context=context)
    return kept


def there(version: Version | None, name: str) -> Version:
    """Answer the version if it is a resource; NotFound if it is None, Gone if it is a deletion."""
    if version is None:
        raise NotFound(f"There is no {name}.")
    if version.deleted:
        raise Gone(f"{name} was deleted; its history tells when.")
    return version
