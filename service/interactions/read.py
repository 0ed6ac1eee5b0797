"""The read, vread and history interactions (FHIR R4 http.html)."""

from service.interactions.context import Context
from service.store.contract import Store, Version

__all__ = ["history", "read", "vread"]


async def read(store: Store, type_: str, id_: str, *, context: Context) -> Version:
    """Answer the current version. NotFound if there never was one, Gone if it was deleted."""


async def vread(store: Store, type_: str, id_: str, version: str, *, context: Context) -> Version:
    """Answer one version by its versionId text. NotFound, or Gone if that version is a deletion."""


async def history(store: Store, type_: str, id_: str, *, context: Context) -> bytes:
    """Answer a Bundle of type history: every version, newest first. NotFound if there is none."""
