"""A JSON text token by token, on the way to an error: names given twice, where in a resource it broke."""

import json
import re
from collections.abc import Iterator, Sequence
from itertools import pairwise

from service.fhir.elements import elements, is_resource

__all__ = ["STRING", "reached", "repeated_names"]

# A string, or what is left of one that never ends. Possessive, so that each character is looked at once.
STRING = r'"[^"\\]*+(?:\\.[^"\\]*+)*+(?:"|\\?\Z)'
_TOKENS = re.compile(STRING + r'|[\[\]{}:,]|[^\s"\[\]{}:,]+', re.DOTALL)
_LONGEST = 1_000_000
"""Characters of a text that are gone through for the sake of a better error."""

Step = str | int


def repeated_names(text: str) -> Iterator[tuple[str, int]]:
    """Every repeated member name of a text that is JSON otherwise, with the position of its second use."""
    seen: list[set[str]] = []
    for token, following in pairwise(_TOKENS.finditer(text)):
        if token[0] in "[{":
            seen.append(set())
        elif token[0] in "]}" and seen:
            seen.pop()
        elif following[0] == ":" and token[0][0] == '"' and seen:
            name = json.loads(token[0])
            if name in seen[-1]:
                yield name, token.start()
            seen[-1].add(name)


def reached(text: str, position: int) -> str:
    """Answer the expression of the element that was being read at ``position``; empty if it can't be told.

    It is the innermost object or list there, as far as the elements of the resource's type go.
    """
    if len(text) > _LONGEST:
        return ""
    type_, way = _type_and_way(text, position)
    return _expression(type_, way) if is_resource(type_) else ""


def _type_and_way(text: str, position: int) -> tuple[str, Sequence[Step]]:
    """The type that the outermost object names, and the way to what is open at the position."""
    type_, way = "", None
    open_: list[Step] = []
    last = ""
    for found in _TOKENS.finditer(text):
        token = found[0]
        if way is None and found.start() >= position:
            way = open_[:-1]
        if way is not None and type_:
            break
        if open_ == ["resourceType"] and token[0] == '"':
            type_ = token[1:-1]
        _go(open_, token, last)
        last = token
    return type_, open_[:-1] if way is None else way


def _go(open_: list[Step], read: str, last: str) -> None:
    """Keep for each open object the name of the member being read, for each list the place."""
    if read in "[{":
        open_.append("" if read == "{" else 0)
    elif not open_:
        return
    elif read in "]}":
        open_.pop()
    elif read == ":":
        open_[-1] = last.strip('"')
    elif read == ",":
        step = open_[-1]
        open_[-1] = step + 1 if isinstance(step, int) else ""


def _expression(type_: str, way: Sequence[Step]) -> str:
    expression = type_
    for step in way:
        if isinstance(step, int):
            expression += f"[{step}]"
            continue
        element = elements(type_).get(step)
        if element is None:
            return expression
        expression += f".{element.choice or step}"
        type_ = element.type
    return expression
