"""Implementation guides: the definitions in a package (``.tgz``) or in a folder of JSON files.

A package comes from outside. Nothing of it is ever written to disk, links and foreign paths are passed over,
and what it unpacks to is bounded.
"""

import gzip
import io
import tarfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any, BinaryIO, cast

import msgspec

from service.errors import InvalidInput
from service.fhir.json import Tree, reread

__all__ = ["Guide", "read_guide"]

_KINDS = frozenset({"StructureDefinition", "ValueSet", "CodeSystem", "Questionnaire"})
_MOST_FILES = 20_000
_MOST_BYTES = 400_000_000
_MOST_BYTES_A_FILE = 32_000_000


@dataclass(frozen=True, slots=True)
class Guide:
    """The definitions of one guide; ``name`` and ``version`` are those of package.json, else the file's."""

    name: str
    version: str
    definitions: tuple[Tree, ...]


def read_guide(path: Path) -> Guide:
    """Read a package file or a folder; InvalidInput says what is wrong with it."""
    if not path.exists():
        raise InvalidInput(f"There is no guide at {path.name}.")
    files = _in_folder(path) if path.is_dir() else _in_package(path)
    manifest: Tree = {}
    definitions: list[Tree] = []
    for file, content in files:
        tree = _tree(content, file)
        if file == "package.json":
            manifest = tree
        elif tree.get("resourceType") in _KINDS and isinstance(tree.get("url"), str):
            definitions.append(_usable(tree, file))
    if not definitions:
        raise InvalidInput(f"{path.name} holds no StructureDefinition, ValueSet or CodeSystem.")
    name, version = str(manifest.get("name") or path.name), str(manifest.get("version") or "")
    return Guide(name, version, tuple(definitions))


def _usable(tree: Tree, name: str) -> Tree:
    """The definition, if its elements can be walked; the rest of its content is looked at when it is used."""
    for view in ("differential", "snapshot"):
        elements = tree.get(view, {"element": []})
        elements = elements.get("element") if isinstance(elements, dict) else None
        if not isinstance(elements, list) or not all(_is_element(one) for one in elements):
            raise InvalidInput(f"{name} has elements in its {view} that can't be read.")
    return tree


def _is_element(element: Any) -> bool:
    return isinstance(element, dict) and isinstance(element.get("path"), str) and bool(element["path"])


def _tree(content: bytes, name: str) -> Tree:
    try:
        tree: Any = reread(content.removeprefix(b"\xef\xbb\xbf"))
    except (msgspec.DecodeError, RecursionError, UnicodeDecodeError):
        raise InvalidInput(f"{name} is not JSON.") from None
    return tree if isinstance(tree, dict) else {}


def _in_folder(folder: Path) -> Iterator[tuple[str, bytes]]:
    inner = folder / "package"
    for path in sorted((inner if inner.is_dir() else folder).glob("*.json")):
        if path.is_file() and not path.is_symlink():
            yield path.name, path.read_bytes()


def _in_package(path: Path) -> Iterator[tuple[str, bytes]]:
    try:
        with path.open("rb") as file, gzip.open(file) as unzipped:
            bounded = cast("BinaryIO", _Bounded(unzipped))
            with tarfile.open(fileobj=bounded, mode="r|") as archive:
                yield from _members(archive)
    except (tarfile.TarError, gzip.BadGzipFile, zlib.error, EOFError, OSError):
        raise InvalidInput(f"{path.name} is not a package that can be read (.tgz).") from None


def _members(archive: tarfile.TarFile) -> Iterator[tuple[str, bytes]]:
    for count, member in enumerate(archive, start=1):
        if count > _MOST_FILES:
            raise InvalidInput(f"The package has more than {_MOST_FILES} files.")
        place = PurePosixPath(member.name)
        if not member.isreg() or place.parts[:-1] != ("package",) or place.suffix != ".json":
            continue
        if member.size > _MOST_BYTES_A_FILE:
            raise InvalidInput(f"{place.name[:100]} is larger than {_MOST_BYTES_A_FILE} bytes.")
        content = archive.extractfile(member)
        if content is not None:
            yield place.name, content.read()


class _Bounded(io.RawIOBase):
    """Reads on until more was unpacked than any guide needs."""

    def __init__(self, file: gzip.GzipFile) -> None:
        self._file = file
        self._left = _MOST_BYTES

    def read(self, size: int = -1, /) -> bytes:
        found = self._file.read(size if size >= 0 else self._left + 1)
        self._left -= len(found)
        if self._left < 0:
            raise InvalidInput(f"The package unpacks to more than {_MOST_BYTES} bytes.")
        return found
