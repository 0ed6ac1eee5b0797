"""What a layout makes of the files of a list: rows in batches, so that memory stays bounded."""

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, Literal, NamedTuple, Protocol

from service.fhir.json import Tree

__all__ = ["BATCH", "Batch", "Layout", "Progress", "System", "batched"]

BATCH = 5_000

Kind = Literal["concept", "designation", "parent", "preferred", "value_set"]

Progress = Callable[[int], object]
"""Called with the number of bytes read since the last call."""


class Batch(NamedTuple):
    """Rows of one kind. All but those of value sets and preferences begin with the number of their system.

    ``concept``: system, code, display, what else is known (JSON of a CodeSystem.concept without both).
    ``designation``: system, code, id of the description, language, use (JSON of a Coding), value.
    ``parent``: system, code, code right above. ``preferred``: id of a description, rank (0 goes first).
    ``value_set``: url, version, JSON.
    """

    kind: Kind
    rows: list[tuple[Any, ...]]


class System(NamedTuple):
    """A code system of a list: its number and its resource without concepts."""

    number: int
    tree: Tree


class Layout(Protocol):
    """The files of one list. ``name`` is what it is kept under: loaded again, it replaces what was there."""

    name: str

    def __init__(self, paths: Sequence[Path], version: str) -> None:
        """Take the files, and a version for those that tell none; InvalidInput if some are missing."""

    @staticmethod
    def fits(path: Path, line: bytes) -> bool:
        """Whether a file, whose first line this is, has this layout."""

    def batches(self, progress: Progress) -> Iterator[Batch]:
        """Read the files once. InvalidInput says where one can't be read."""

    def systems(self) -> Sequence[System]:
        """The code systems, once everything was read."""


def batched(kind: Kind, rows: Iterator[Any]) -> Iterator[Batch]:
    """Gather rows of one kind."""
    batch: list[tuple[Any, ...]] = []
    for row in rows:
        batch.append(row)
        if len(batch) == BATCH:
            yield Batch(kind, batch)
            batch = []
    if batch:
        yield Batch(kind, batch)
