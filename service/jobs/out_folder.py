"""A folder that others take files from: each is written whole, under names that sort as they were written."""

import asyncio
import os
import time
from pathlib import Path

from service.errors import DeliveryFailed

__all__ = ["OutFolder"]


class OutFolder:
    """A folder of files that are told apart by the end of their names."""

    def __init__(self, path: Path) -> None:
        """Take where it is; it has to be there."""
        self._path = path

    async def put(self, content: bytes, end: str) -> None:
        """Write a file, durable when this returns; DeliveryFailed if it can't be.

        One whose name has the same end is replaced, if nobody has taken it yet.
        """
        try:
            await asyncio.to_thread(self._put, content, end)
        except OSError as error:
            raise DeliveryFailed(f"The folder can't be written now ({type(error).__name__}).") from None

    def _put(self, content: bytes, end: str) -> None:
        kept = next(iter(self._path.glob(f"*-{end}")), None)
        path = kept or self._path / f"{time.time_ns():020d}-{end}"
        fresh = self._path / f".{end}.part"  # nobody takes what begins with a dot
        with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o640), "wb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
        fresh.replace(path)
        folder = os.open(self._path, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)

    async def test(self) -> str:
        """Say that files can be written; DeliveryFailed if not."""
        if not os.access(self._path, os.W_OK | os.X_OK):
            raise DeliveryFailed("The folder is not there, or can't be written.")
        return "is a folder that can be written"
