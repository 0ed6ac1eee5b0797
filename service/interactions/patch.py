"""The patch interaction, plain and conditional (FHIR R4 http.html, patch).

The result is judged like an update: equal to what is stored, it writes nothing.
"""

from dataclasses import replace

from service.fhir.patch import read_patch
from service.interactions.apply import permit
from service.interactions.context import Context
from service.interactions.entry import Applied, Entry, usable
from service.interactions.origin import apply_one
from service.store.contract import Store, Transaction

__all__ = ["patch"]


async def patch(  # noqa: PLR0913 - what the request consists of
    store: Store, url: str, format_: str, body: bytes, *, context: Context, if_match: str | None = None
) -> Applied:
    """Change the resource at ``url``: ``Goal/1``, or ``Goal?identifier=system|value`` for the only match.

    ``format_`` is one of ``PATCH_FORMATS``. NotFound or Gone if nothing is there, PreconditionFailed if
    several match or ``if_match`` names another version, InvalidInput if the body is no patch, RuleViolation
    if the patch can't be done, its test fails, or the result is not valid.
    """
    entry = Entry("PATCH", url, if_match=if_match)
    permit([entry], context=context)
    usable(entry)
    entry = replace(entry, patch=read_patch(format_, body, max_depth=context.max_depth))

    async def work(txn: Transaction) -> Applied:
        return await apply_one(txn, entry, context=context)

    return await store.write(f"PATCH {entry.type}", work)
