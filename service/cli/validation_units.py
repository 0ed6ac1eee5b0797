"""Files as pieces of work: one resource each, or some lines of NDJSON, so that memory stays bounded."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Unit", "files_of", "units_of"]

_SUFFIXES = (".json", ".xml", ".ndjson")
_NO_RESOURCES = frozenset({"package.json"})
_MOST_AT_ONCE = 1_000_000
"""Bytes of NDJSON in one piece of work, a longer line excepted."""
MOST_BYTES = 200_000_000
"""The largest file or line that is read; beyond it, one resource a line of NDJSON."""


@dataclass(frozen=True, slots=True)
class Unit:
    """``lines`` are those of an NDJSON file, the first of them number ``first``; else it is one text."""

    path: Path
    lines: tuple[bytes, ...] | None = None
    first: int = 1


def files_of(paths: Iterable[Path]) -> list[Path]:
    """Files as named, folders as the JSON, XML and NDJSON files in them and below, in order.

    Hidden files and ``package.json`` are left out of folders. ValueError names a file of another kind.
    """
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            inside = (one for suffix in _SUFFIXES for one in path.rglob(f"*{suffix}"))
            found += sorted(one for one in inside if one.is_file() and _is_content(one.relative_to(path)))
        elif path.suffix.lower() in _SUFFIXES:
            found.append(path)
        else:
            raise ValueError(f"{path}: files are .json, .xml or .ndjson.")
    return list(dict.fromkeys(found))


def units_of(path: Path) -> Iterator[Unit]:
    """The pieces of work of one file. OSError if it can't be read."""
    if path.suffix.lower() != ".ndjson":
        yield Unit(path)
        return
    lines: list[bytes] = []
    size = 0
    first = 1
    with path.open("rb") as file:
        while line := file.readline(MOST_BYTES + 1):
            lines.append(line)
            size += len(line)
            if size >= _MOST_AT_ONCE:
                yield Unit(path, tuple(lines), first)
                first, size, lines = first + len(lines), 0, []
    if lines:
        yield Unit(path, tuple(lines), first)


def _is_content(inside: Path) -> bool:
    hidden = any(part.startswith(".") for part in inside.parts)
    return not hidden and inside.name not in _NO_RESOURCES
