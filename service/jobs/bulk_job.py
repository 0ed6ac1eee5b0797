"""A bulk export as it lies in its folder: what it is, how far it has come, and its files.

A folder of its own beside the database holds each export, since whoever answers for one must see its files:
all processes of one database share it. Whoever works at an export holds its lock, which the operating system
takes back when a process is killed, so that any other goes on at once; what it goes on from is ``progress``,
written whole each time. Files may be longer than that says and are cut back to it.
"""

import fcntl
import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Literal

import msgspec

from service.operations.bulk_parameters import BulkRequest
from service.security.asker import Asker

__all__ = ["PEOPLE", "BulkFolder", "BulkJob", "Exports", "Kind", "Piece", "Progress", "Told"]

Kind = Literal["output", "deleted", "error"]
_JOB, _PROGRESS, _LOCK = "job.json", "progress.json", "lock"
_GONE = "gone-"
PEOPLE = "people"
"""The file with the ids of those whom an export is about, one a line."""


class BulkJob(msgspec.Struct, frozen=True):
    """An export that was taken on.

    ``base`` is the FHIR base as the caller saw it, ``address`` the URL it was asked for by. It is of what was
    stored when ``as_of`` was the newest number, which is told as ``moment`` (an instant). ``after`` is the
    number that was the newest at ``request.since``, None if that is no moment of ours. ``begun`` are seconds
    since 1970.
    """

    id: str
    asker: Asker
    base: str
    address: str
    request: BulkRequest
    moment: str
    as_of: int
    begun: float
    after: int | None = None

    @property
    def end(self) -> int:
        """The position at which all of it is written: what comes along is looked at in a second way."""
        return 2 * self.as_of if self.request.associated else self.as_of


class Piece(msgspec.Struct):
    """One file: its lines are ``type``s. ``size`` are bytes."""

    kind: Kind
    type: str
    name: str
    count: int = 0
    size: int = 0


class Told(msgspec.Struct, frozen=True):
    """One problem: its code of issue-type and the sentence."""

    code: str
    text: str


class Progress(msgspec.Struct):
    """How far an export has come: everything up to the number ``position`` is in the files.

    ``people``: bytes of the list of those whom the files are about. ``error`` is the class of the error that
    ended it, with its ``problems``. ``ended`` are seconds since 1970, 0 while it goes on.
    """

    position: int
    pieces: list[Piece] = []
    people: int = 0
    walked: bool = False
    ended: float = 0.0
    error: str = ""
    problems: tuple[Told, ...] = ()

    @property
    def lines(self) -> int:
        """How many lines were written."""
        return sum(piece.count for piece in self.pieces)


class BulkFolder:
    """The folder of one export."""

    def __init__(self, path: Path) -> None:
        """It need not be there."""
        self.path = path

    @property
    def job(self) -> BulkJob | None:
        """What the export is; None if there is none (any more)."""
        with suppress(OSError):
            return msgspec.json.decode((self.path / _JOB).read_bytes(), type=BulkJob)
        return None

    @property
    def progress(self) -> Progress | None:
        """How far it has come; None if there is none (any more)."""
        with suppress(OSError):
            return msgspec.json.decode((self.path / _PROGRESS).read_bytes(), type=Progress)
        return None

    def note(self, progress: Progress) -> None:
        """Note how far it has come, durably; OSError if the export was taken away."""
        write_whole(self.path / _PROGRESS, msgspec.json.encode(progress))

    @property
    def people(self) -> frozenset[str]:
        """The ids of those whom what was noted is about; of nobody for a research export."""
        with suppress(OSError):
            return frozenset((self.path / PEOPLE).read_text("ascii").split())
        return frozenset()

    @contextmanager
    def claimed(self) -> Iterator[bool]:
        """Whether nobody else works at it; until the block ends nobody will."""
        try:
            lock = os.open(self.path / _LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError:
            yield False
            return
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            yield True
        except BlockingIOError:
            yield False
        finally:
            os.close(lock)

    def remove(self) -> None:
        """Take the export away; it is out of sight at once, whoever works at it finds it gone."""
        gone = self.path.with_name(f"{_GONE}{self.path.name}")
        with suppress(OSError):
            self.path.rename(gone)
        shutil.rmtree(gone, ignore_errors=True)


class Exports:
    """The exports of one database."""

    def __init__(self, folder: Path) -> None:
        """They lie below ``folder``, which is made with the first."""
        self._folder = folder

    @staticmethod
    def new_id() -> str:
        """An id that nobody can guess."""
        return secrets.token_urlsafe(18).replace("_", "a").replace("-", "b")

    def find(self, id_: str) -> BulkFolder:
        """The export of that id, which need not be there."""
        return BulkFolder(self._folder / (id_ if id_.isascii() and id_.isalnum() else "none"))

    def all(self) -> list[tuple[BulkJob, BulkFolder]]:
        """All that are there, the oldest first; what is left of those taken away is cleaned up."""
        found = []
        for path in self._folder.glob("*") if self._folder.is_dir() else ():
            if path.name.startswith(_GONE):
                shutil.rmtree(path, ignore_errors=True)
            elif (job := BulkFolder(path).job) is not None:
                found.append((job, BulkFolder(path)))
        return sorted(found, key=lambda one: one[0].begun)

    def forget(self, patient: str) -> None:
        """Take away what may hold something of a patient who was erased."""
        for job, folder in self.all():
            progress = folder.progress
            writing = progress is not None and not progress.ended and not job.request.variant
            if writing or patient in folder.people:
                folder.remove()

    def add(self, job: BulkJob) -> BulkFolder:
        """Take an export on, durably."""
        folder = BulkFolder(self._folder / job.id)
        self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        folder.path.mkdir(mode=0o700)
        folder.note(Progress(job.after or 0))
        write_whole(folder.path / _JOB, msgspec.json.encode(job))  # last: without it there is no export
        return folder


def write_whole(path: Path, content: bytes) -> None:
    """Write a file whole or not at all; for the owner alone, as it holds what is about people."""
    fresh = path.with_suffix(".new")
    with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as out:
        out.write(content)
        out.flush()
        os.fsync(out.fileno())
    fresh.replace(path)
