"""One table made of resources as they come, as bytes that stream."""

from collections.abc import AsyncIterator, Sequence
from io import RawIOBase
from typing import BinaryIO, cast

from service.fhir.json import reread
from service.jobs.table_files import Format, table_file
from service.jobs.tables import Table

__all__ = ["table_stream"]

_PIECE = 64_000


class _Passing(RawIOBase):
    """A file that is written once, from its beginning, and taken away piece by piece."""

    def __init__(self) -> None:
        self._pieces: list[bytes] = []
        self._size = 0
        self.waiting = 0

    def writable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._size

    def write(self, data: Sequence[int]) -> int:  # type: ignore[override]
        piece = bytes(data)
        self._pieces.append(piece)
        self._size += len(piece)
        self.waiting += len(piece)
        return len(piece)

    def taken(self) -> bytes:
        """What was written since the last time."""
        found = b"".join(self._pieces)
        self._pieces.clear()
        self.waiting = 0
        return found


async def table_stream(
    table: Table,
    texts: AsyncIterator[bytes],
    format_: Format,
    *,
    header: bool = True,
    most: int | None = None,
) -> AsyncIterator[bytes]:
    """Give the table of the resources of ``texts``, ``most`` rows of it; other types than its own make none.

    Raises InvalidInput, possibly when some of it has been given, for a resource the table can't be made of.
    """
    out = _Passing()
    file = table_file(format_, cast("BinaryIO", out), table.fields, header=header)
    left = most
    async for text in texts:
        if left is not None and left <= 0:
            break
        rows = table.view.rows(reread(text))[:left]
        file.write(rows)
        left = None if left is None else left - len(rows)
        if out.waiting > _PIECE:
            yield out.taken()
    file.close()
    yield out.taken()
