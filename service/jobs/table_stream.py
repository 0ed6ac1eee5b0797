"""One table made of resources as they come, as bytes that stream."""

import time
from collections.abc import AsyncIterator, Sequence
from io import RawIOBase
from typing import BinaryIO, cast

from service.errors import TooCostly
from service.fhir.json import reread
from service.fhir.view_definition import Row
from service.interactions.aside import aside
from service.jobs.table_files import Format, table_file
from service.jobs.tables import Table

__all__ = ["MOST_ROWS", "table_stream"]

MOST_ROWS = 100_000
"""Rows of an answer that is held in memory as a whole."""
_AT_ONCE = 200
_SECONDS = 2
"""For that many resources; a research table takes a hundredth of it."""


class _Passing(RawIOBase):
    """A file that is written once, from its beginning, and taken away piece by piece."""

    def __init__(self) -> None:
        self._pieces: list[bytes] = []
        self._size = 0

    def writable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._size

    def write(self, data: Sequence[int]) -> int:  # type: ignore[override]
        piece = bytes(data)
        self._pieces.append(piece)
        self._size += len(piece)
        return len(piece)

    def taken(self) -> bytes:
        """What was written since the last time."""
        found = b"".join(self._pieces)
        self._pieces.clear()
        return found


async def table_stream(  # noqa: PLR0913 - what shapes a table
    table: Table,
    texts: AsyncIterator[bytes],
    format_: Format,
    *,
    header: bool = True,
    limit: int | None = None,
    most: int | None = None,
) -> AsyncIterator[bytes]:
    """Give the table of the resources of ``texts``; those of other types make no rows.

    It ends after ``limit`` rows; more than ``most`` are TooCostly. Raises InvalidInput, possibly when some of
    it has been given, for a resource the table can't be made of. Rows are made aside, some resources at once.
    """
    out = _Passing()
    file = table_file(format_, cast("BinaryIO", out), table.fields, header=header)
    done = 0
    async for several in _in_parts(texts):
        rows = await aside(_rows, table, several)
        rows = rows if limit is None else rows[: limit - done]
        done += len(rows)
        if most is not None and done > most:
            raise TooCostly(f"The view makes more than {most} rows; ask for one patient, or give a _limit.")
        file.write(rows)
        if piece := out.taken():
            yield piece
        if done == limit:
            break
    file.close()
    yield out.taken()


def _rows(table: Table, texts: list[bytes]) -> list[Row]:
    """The rows of some resources; TooCostly for a view that keeps the thread or the memory from others."""
    rows: list[Row] = []
    begin = time.monotonic()
    for text in texts:
        rows += table.view.rows(reread(text))
        if len(rows) > MOST_ROWS or time.monotonic() - begin > _SECONDS:
            raise TooCostly("The view takes too much for each resource; ask for less in one view.")
    return rows


async def _in_parts(texts: AsyncIterator[bytes]) -> AsyncIterator[list[bytes]]:
    several: list[bytes] = []
    async for text in texts:
        several.append(text)
        if len(several) == _AT_ONCE:
            yield several
            several = []
    if several:
        yield several
