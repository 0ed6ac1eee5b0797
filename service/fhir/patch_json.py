"""JSON Patch (RFC 6902) on a tree whose numbers keep their text.

Written here because the library for it copies numbers into new ones, which loses their text, and takes
``true`` for ``1``.
"""

import re
from collections.abc import Callable
from decimal import Decimal
from typing import Any, NoReturn

from service.errors import InvalidInput, Issue, Place, RuleViolation
from service.fhir.json import Tree, parse_list

__all__ = ["json_patch"]

_POINTER = re.compile(r"(?:/(?:[^~/]|~[01])*)*")
_INDEX = re.compile(r"0|[1-9][0-9]{0,8}")
_NEEDS = {
    "add": {"value"},
    "remove": set[str](),
    "replace": {"value"},
    "move": {"from"},
    "copy": {"from"},
    "test": {"value"},
}
_MOST_COPIED = 1_000_000


class _CannotError(Exception):
    """An operation can't be carried out on this document; the argument says why."""


def json_patch(body: bytes | str, *, max_depth: int = 64) -> Callable[[Tree], Any]:
    """Read a JSON Patch document and answer what carries it out.

    InvalidInput if it is none. What is answered changes the tree it is given and answers the result, which is
    another one where the root is replaced; RuleViolation names the operation that can't be carried out or the
    test that fails.
    """
    operations = parse_list(body, max_depth=max_depth)
    issues = [issue for place, one in enumerate(operations) if (issue := _fault(one, place))]
    if issues:
        raise InvalidInput(issues)

    def patch(tree: Tree) -> Any:
        document = _Document(tree)
        for place, operation in enumerate(operations):
            try:
                document.carry_out(operation)
            except (_CannotError, RecursionError) as error:
                reason = str(error) if isinstance(error, _CannotError) else "it nests too deep"
                text = f"Operation {place} ({operation['op']} {operation['path']!r}) can't be done: {reason}."
                raise RuleViolation(Issue(text, place=Place(pointer=f"/{place}"))) from None
        return document.root

    return patch


def _fault(operation: Any, place: int) -> Issue | None:
    """What makes this no operation of RFC 6902."""
    at = Place(pointer=f"/{place}")
    if not isinstance(operation, dict):
        return Issue("An operation must be an object.", place=at)
    name = operation.get("op")
    if not isinstance(name, str) or name not in _NEEDS:
        return Issue(f"op must be one of {', '.join(_NEEDS)}.", place=at)
    if missing := sorted(({"path"} | _NEEDS[name]) - operation.keys()):
        return Issue(f"{name} needs {' and '.join(missing)}.", place=at)
    for member in {"path", "from"} & operation.keys():
        pointer = operation[member]
        if not isinstance(pointer, str) or not _POINTER.fullmatch(pointer):
            return Issue(f"{member} must be a JSON pointer: empty, or beginning with '/'.", place=at)
    return None


class _Document:
    def __init__(self, root: Any) -> None:
        self.root = root
        self._copied = 0

    def carry_out(self, operation: Tree) -> None:
        steps = _steps(operation["path"])
        match operation["op"]:
            case "add":
                self._add(steps, self._copy(operation["value"]))
            case "remove":
                self._take(steps)
            case "replace":
                self._replace(steps, self._copy(operation["value"]))
            case "move":
                source = _steps(operation["from"])
                if steps[: len(source)] == source and steps != source:
                    raise _CannotError("nothing can be moved into itself")
                self._add(steps, self._take(source))
            case "copy":
                self._add(steps, self._copy(self._at(_steps(operation["from"]))))
            case _:
                if not _equal(self._at(steps), operation["value"]):
                    raise _CannotError("the value is another one")

    def _at(self, steps: list[str]) -> Any:
        node = self.root
        for step in steps:
            node = node[_key(node, step)]
        return node

    def _add(self, steps: list[str], value: Any) -> None:
        if not steps:
            self.root = value
            return
        parent, step = self._at(steps[:-1]), steps[-1]
        if isinstance(parent, list):
            parent.insert(len(parent) if step == "-" else _index(step, len(parent) + 1), value)
        elif isinstance(parent, dict):
            parent[step] = value
        else:
            _absent(step)

    def _replace(self, steps: list[str], value: Any) -> None:
        if not steps:
            self.root = value
            return
        parent = self._at(steps[:-1])
        parent[_key(parent, steps[-1])] = value

    def _take(self, steps: list[str]) -> Any:
        if not steps:
            raise _CannotError("the whole document can't be taken away")
        parent = self._at(steps[:-1])
        return parent.pop(_key(parent, steps[-1]))

    def _copy(self, value: Any) -> Any:
        """A copy that shares no list or object; repeated copying must not grow without end."""
        self._copied += 1 + (len(value) if isinstance(value, str) else 0)
        if self._copied > _MOST_COPIED:
            raise _CannotError("the patch copies too much")
        if isinstance(value, dict):
            return {name: self._copy(inner) for name, inner in value.items()}
        return [self._copy(inner) for inner in value] if isinstance(value, list) else value


def _steps(pointer: str) -> list[str]:
    return [step.replace("~1", "/").replace("~0", "~") for step in pointer.split("/")[1:]]


def _key(node: Any, step: str) -> str | int:
    """The key of something that is there."""
    if isinstance(node, dict) and step in node:
        return step
    return _index(step, len(node)) if isinstance(node, list) else _absent(step)


def _index(step: str, length: int) -> int:
    if not _INDEX.fullmatch(step) or int(step) >= length:
        _absent(step)
    return int(step)


def _absent(step: str) -> NoReturn:
    raise _CannotError(f"there is no {step[:64]!r}")


def _equal(one: Any, other: Any) -> bool:
    """Equality of RFC 6902 section 4.6: numbers by value, everything else by kind too."""
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(_equal(one[name], other[name]) for name in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(_equal, one, other))
    numbers = all(isinstance(value, (int, Decimal)) and not isinstance(value, bool) for value in (one, other))
    return bool(one == other) and (numbers or type(one) is type(other))
