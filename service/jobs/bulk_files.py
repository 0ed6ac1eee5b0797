"""The files of a bulk export: NDJSON, one type a file, a new one where one has grown to its size.

What is in which file follows from the lines and their order alone, so that an export that was broken off and
goes on writes the same files.
"""

import asyncio
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from functools import partial
from typing import IO, ParamSpec, TypeVar

from service.jobs.bulk_job import PEOPLE, BulkFolder, Kind, Piece, Progress
from service.jobs.table_folder import digest

__all__ = ["BulkFiles"]

P = ParamSpec("P")
T = TypeVar("T")


class BulkFiles:
    """The files of one export while they are written, by a thread of their own: ``do``."""

    def __init__(self, folder: BulkFolder, progress: Progress, *, largest: int) -> None:
        """Go on from ``progress``; a file of ``largest`` bytes is not added to."""
        self._folder = folder
        self.progress = progress
        self._largest = largest
        self._open: dict[tuple[Kind, str], tuple[Piece, IO[bytes]]] = {}
        self.people: dict[str, None] = {}
        self._listed = 0
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="bulk")
        self._cut_back()

    def _cut_back(self) -> None:
        """Take away what was written after the progress was noted."""
        known = {piece.name: piece for piece in self.progress.pieces}
        for path in self._folder.path.glob("*.ndjson"):
            if path.name not in known:
                path.unlink()
        for piece in known.values():
            os.truncate(self._folder.path / piece.name, piece.size)
            if piece.size < self._largest:
                self._open[piece.kind, piece.type] = (piece, self._appending(piece.name))
        people = self._folder.path / PEOPLE
        with suppress(FileNotFoundError):
            os.truncate(people, self.progress.people)
            self.people = dict.fromkeys(people.read_text("ascii").split())
        self._listed = len(self.people)

    async def do(self, work: Callable[P, T], *arguments: P.args, **named: P.kwargs) -> T:
        """Do something with the files, one after the other, even where somebody gave up waiting."""
        return await asyncio.get_running_loop().run_in_executor(
            self._thread, partial(work, *arguments, **named)
        )

    def write(self, kind: Kind, type_: str, lines: Sequence[bytes]) -> None:
        """Add lines, without line feeds, to the file of their type."""
        size = sum(map(len, lines)) + len(lines)
        piece, file = self._of(kind, type_)
        if piece.size + size < self._largest:
            self._add(piece, file, b"\n".join(lines) + b"\n", len(lines))
            return
        for line in lines:
            piece, file = self._of(kind, type_)
            self._add(piece, file, line + b"\n", 1)

    def _add(self, piece: Piece, file: IO[bytes], text: bytes, count: int) -> None:
        file.write(text)
        piece.size += len(text)
        piece.count += count
        if piece.size >= self._largest:
            del self._open[piece.kind, piece.type]
            _settle(file)
            file.close()

    def _of(self, kind: Kind, type_: str) -> tuple[Piece, IO[bytes]]:
        found = self._open.get((kind, type_))
        if found is None:
            number = sum((one.kind, one.type) == (kind, type_) for one in self.progress.pieces) + 1
            mark = "" if kind == "output" else f"{kind}-"
            piece = Piece(kind, type_, f"{mark}{type_}-{number}.ndjson")
            found = self._open[kind, type_] = (piece, self._appending(piece.name))
            self.progress.pieces.append(piece)
        return found

    def digests(self) -> tuple[str, ...]:
        """The SHA-256 of each file, as it is now."""
        for _, file in self._open.values():
            _settle(file)
        return tuple(digest(self._folder.path / piece.name) for piece in self.progress.pieces)

    def note(self, position: int) -> None:
        """Note that everything up to ``position`` is in the files, durably."""
        for _, file in self._open.values():
            _settle(file)
        if self._listed < len(self.people):
            with self._appending(PEOPLE) as file:
                new = [*self.people][self._listed :]
                file.write("".join(f"{one}\n" for one in new).encode())
                _settle(file)
                self.progress.people = file.tell()
            self._listed = len(self.people)
        self.progress.position = position
        self._folder.note(self.progress)

    def close(self) -> None:
        """Close what is open; what was not noted is not kept."""
        for _, file in self._open.values():
            file.close()
        self._open.clear()
        self._thread.shutdown(wait=False)

    def _appending(self, name: str) -> IO[bytes]:
        flags = os.O_WRONLY | os.O_CREAT | os.O_APPEND
        return os.fdopen(os.open(self._folder.path / name, flags, 0o600), "ab", buffering=1 << 18)


def _settle(file: IO[bytes]) -> None:
    file.flush()
    os.fsync(file.fileno())
