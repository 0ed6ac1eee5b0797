"""The search interaction on one type (FHIR R4 search.html)."""

from collections.abc import Sequence

from service.interactions.context import Context
from service.store.contract import Store

__all__ = ["search"]


async def search(store: Store, type_: str, params: Sequence[tuple[str, str]], *, context: Context) -> bytes:
    """Answer a searchset Bundle. ``params`` are the decoded query (and form) parameters in their order.

    InvalidInput names every parameter, modifier, prefix or value that can't be used; unknown parameters are
    left out instead when ``context.lenient``. Paging links carry all parameters and an opaque ``_after``.
    """
