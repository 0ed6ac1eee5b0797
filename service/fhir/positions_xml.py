"""Where the elements of a FHIR XML text stand; its expressions are those of the tree it is read into."""

from collections import Counter
from collections.abc import Sequence
from xml.parsers import expat

from service.fhir.positions import Position, Step

__all__ = ["XmlPositions"]

_RESOURCE_IN = frozenset({"contained", "resource", "outcome"})
"""Elements that hold a resource, which is one element more in XML and no step of an expression."""


class XmlPositions:
    """The places of a well-formed XML text."""

    def __init__(self, data: bytes) -> None:
        """Read the places of every element."""
        self._found: dict[str, Position] = {}
        self._paths: list[str] = []
        self._counts: list[Counter[str]] = []
        self._parser = expat.ParserCreate("utf-8", " ")
        self._parser.StartElementHandler = self._start
        self._parser.EndElementHandler = self._end
        self._parser.Parse(data, True)

    def of(self, path: Sequence[Step]) -> Position:
        """Answer where the element's tag begins."""
        keys = _keys(path)
        return next((self._found[key] for key in reversed(keys) if key in self._found), (1, 1))

    def _start(self, tag: str, _: object) -> None:
        name = tag.rpartition(" ")[2]
        path = self._path(name)
        self._found.setdefault(path, (self._parser.CurrentLineNumber, self._parser.CurrentColumnNumber + 1))
        self._paths.append(path)
        self._counts.append(Counter())

    def _path(self, name: str) -> str:
        if not self._paths:
            return ""
        holder = self._paths[-1]
        if name[:1].isupper() and holder.rpartition(".")[2].partition("[")[0] in _RESOURCE_IN:
            return holder
        self._counts[-1][name] += 1
        return f"{holder}.{name}[{self._counts[-1][name] - 1}]"

    def _end(self, _: str) -> None:
        self._paths.pop()
        self._counts.pop()


def _keys(path: Sequence[Step]) -> list[str]:
    """The path and all that it goes through, each step with its place, the root first."""
    keys = [""]
    for step, following in zip(path, [*path[1:], ""], strict=False):
        if isinstance(step, str):
            place = following if isinstance(following, int) else 0
            keys.append(f"{keys[-1]}.{step.removeprefix('_')}[{place}]")
    return keys
