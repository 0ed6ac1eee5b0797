"""Whether a write would be accepted: it is carried out inside a transaction that is never committed."""

from typing import NoReturn

from service.errors import Issue, IssueType, Place, ServiceError, Severity
from service.interactions.apply import apply, permit
from service.interactions.context import Context
from service.interactions.entry import Entry, check, usable
from service.store.contract import Store, Transaction

__all__ = ["rehearse"]


class _Undone(Exception):
    """Ends the transaction of a rehearsal; the argument is what was noticed."""

    def __init__(self, noticed: tuple[Issue, ...]) -> None:
        super().__init__()
        self.noticed = noticed


async def rehearse(store: Store, entry: Entry, *, context: Context) -> tuple[Issue, ...]:
    """Answer why the service would refuse this write, nothing if it would not; nothing is stored.

    Errors of the service itself are raised, and that of a store that can't write at all.
    """
    try:
        permit([entry], context=context)
        usable(entry)
        (entry,) = check([entry], context=context)
    except ServiceError as error:
        return error.issues
    try:
        await _carried_out(store, entry, context)
    except _Undone as undone:
        return undone.noticed


async def _carried_out(store: Store, entry: Entry, context: Context) -> NoReturn:
    async def work(txn: Transaction) -> NoReturn:
        try:
            (applied,) = await apply(txn, [entry], context=context)
        except ServiceError as error:
            if error.status >= 500:
                raise
            raise _Undone(error.issues) from None
        raise _Undone(applied.issues if applied.version is not None else (_nothing_there(entry),))

    await store.write(f"validate {entry.method} {entry.type}", work)
    raise AssertionError("a rehearsal does not end")


def _nothing_there(entry: Entry) -> Issue:
    text = "No such resource was ever stored; deleting it would change nothing."
    return Issue(text, Severity.INFORMATION, IssueType.NOT_FOUND, Place(expression=entry.type))
