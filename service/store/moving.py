"""Whole stores: backup, restore, copy from one engine to another, upgrade."""

from collections.abc import Awaitable, Callable
from contextlib import aclosing
from pathlib import Path

from service.errors import Conflict, ServiceError
from service.fhir.search_values import SearchKeys
from service.store.archive import Archive, Digest, Kept, Movable, Row, Rows
from service.store.audit import Audited, Begun, audited_of
from service.store.backup_file import check_backup, read_backup, write_backup
from service.store.contract import Version, VisitKey
from service.store.entries import Entry

__all__ = ["KeysOf", "Progress", "backup", "copy", "migrate", "restore"]

After = Callable[[Archive], Awaitable[object]]
"""What is done with everything that arrived, before it is kept."""
KeysOf = Callable[[Version], SearchKeys]
"""What a version is found by."""
Progress = Callable[[], object]
"""Called after every version."""


async def backup(store: Movable, path: Path, progress: Progress, recipient: str = "") -> Digest:
    """Write everything to a new file, as it stood at one moment; others may go on writing.

    It is sealed for ``recipient`` if there is one. Answers the counts and checksum. Conflict if there is a
    file of that name.
    """

    async def told(rows: Rows) -> Rows:
        async for row in rows:
            yield row
            progress()

    async with aclosing(store.rows()) as rows:
        return await write_backup(path, told(rows), recipient)


async def restore(  # noqa: PLR0913, PLR0917 - from where, to where, and how
    path: Path,
    store: Movable,
    keys_of: KeysOf,
    progress: Progress,
    key: Path | None = None,
    after: After | None = None,
) -> Digest:
    """Write everything of a backup to an empty store: all of it, or nothing.

    ``key`` is the file of the key it may be sealed for; ``after`` is done in the same transaction, once what
    arrived was compared. InvalidInput if the file is damaged, Conflict if the store holds anything.
    """
    wanted = check_backup(path, key)
    return await _fill(store, lambda: read_backup(path, key), keys_of, progress, wanted, after)


async def copy(source: Movable, target: Movable, keys_of: KeysOf, progress: Progress) -> Digest:
    """Write everything of one store to an empty other: all of it, or nothing; Conflict if it holds anything.

    What is written to ``source`` meanwhile is not copied.
    """
    return await _fill(target, source.rows, keys_of, progress)


async def migrate(store: Movable, keys_of: KeysOf, progress: Progress) -> int:
    """Bring the tables up to this program's; answers how many resources were filed anew."""

    async def work(archive: Archive) -> int:
        count = 0
        if await archive.upgrade():
            async for row in archive.rows():
                if isinstance(row, Kept) and _is_found(row):
                    await archive.refile(row.version, keys_of(row.version))
                    count += 1
                    progress()
        return count

    return await store.archive("migrate", work)


def _is_found(row: Kept) -> bool:
    """Whether searches find this version."""
    return row.newest and not row.version.deleted


async def _keep(archive: Archive, row: Row, keys_of: KeysOf, progress: Progress) -> None:
    match row:
        case Kept():
            await archive.keep(row, keys_of(row.version) if _is_found(row) else SearchKeys())
            progress()
        case VisitKey():
            await archive.claim_visit(row)
        case Begun():
            await archive.begin_behind(row)
        case Audited():
            await archive.keep_audited(audited_of(row.content, row.hash))
        case Entry():
            await archive.keep_entry(row)


async def _fill(  # noqa: PLR0913, PLR0917 - as above
    store: Movable,
    rows: Callable[[], Rows],
    keys_of: KeysOf,
    progress: Progress,
    wanted: Digest | None = None,
    after: After | None = None,
) -> Digest:
    async def work(archive: Archive) -> Digest:
        if not await archive.is_empty():
            raise Conflict("The database to write to is not empty; nothing was written. Name an empty one.")
        sent = Digest()
        async with aclosing(rows()) as coming:
            async for row in coming:
                sent.add(row)
                await _keep(archive, row, keys_of, progress)
        arrived = Digest()
        async for row in archive.rows():
            arrived.add(row)
            if isinstance(row, Kept) and row.version.type == "Provenance" and _is_found(row):
                # whom it is about follows from its targets, some of which came after it
                await archive.refile(row.version, keys_of(row.version))
        if len({str(one.said()) for one in (sent, arrived, wanted or sent)}) > 1:
            raise ServiceError("What arrived is not what was sent; nothing was kept.")
        if after is not None:
            await after(archive)
        return arrived

    return await store.archive("fill", work)
