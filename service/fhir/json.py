"""FHIR JSON, read strictly and written back without loss.

Numbers keep the text they were sent in (``72.50``, ``1.0E2``), members their order. What RFC 8259 and
FHIR R4 json.html leave no room for is refused: duplicate names, comments, NaN, text after the end, bytes that
are not UTF-8, characters a FHIR string can't hold.
"""

import json
import re
from collections.abc import Mapping
from collections.abc import Set as AbstractSet
from decimal import Decimal, InvalidOperation
from itertools import accumulate, repeat
from math import inf
from typing import Any, NoReturn

import msgspec

from service.errors import InvalidInput, Issue, IssueType, Place, Severity
from service.fhir.json_tokens import STRING, reached, repeated_names

__all__ = [
    "Tree",
    "dump",
    "dump_headed",
    "number",
    "number_text",
    "parse",
    "parse_list",
    "reread",
    "sorted_text",
    "stamp",
    "with_member",
]

Tree = dict[str, Any]
"""One JSON object: numbers are int or Decimal, everything else as Python has it."""

_BOM = b"\xef\xbb\xbf"
_MAX_DIGITS = 1_000
_TOO_LONG = 10**_MAX_DIGITS
_STRINGS = re.compile(STRING, re.DOTALL)
_BRACKETS = re.compile(STRING + r"|[\[\]{}]", re.DOTALL)
_STEPS = {"[": 1, "{": 1, "]": -1, "}": -1}
_NUMBER = re.compile(r"-?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?(?:[eE][+-]?[0-9]+)?")
_MINUS_ZERO = re.compile(rb"-0[\s,\]}]")
# What the fast reader would get wrong, or what would be counted wrong.
_DOUBTS = tuple(map(re.compile, (r'"[ \t\r\n]+:', r'\\"[ \t\r\n]*:', r"\\u0000", r"-0[\s,\]}]")))
_UNSTAMPED = {"versionId": "", "lastUpdated": ""}
_HEAD = re.compile(
    rb'(\{"resourceType":"\w+",)"id":"[^"\\]*","meta":\{"versionId":"[^"\\]*","lastUpdated":"[^"\\]*"'
)
_NUL = re.compile(r"(?<!\\)(?:\\\\)*\\u0000")


class _Text(Decimal):
    """A number whose own text differs from Decimal's rendering (``1.0E2``, ``0.0000001``)."""

    __slots__ = ("text",)
    text: str


_PLAIN = frozenset({str, bool, type(None), Decimal, _Text})
"""Types of values that hold no others and were looked at when they were read."""


class _DuplicateNameError(ValueError):
    """An object names a member twice; the argument is the name."""


def parse(data: bytes | str, *, max_depth: int = 64) -> Tree:
    """Read one JSON object.

    Raises InvalidInput with line and column when ``data`` is not strict JSON, is nested deeper than
    ``max_depth`` brackets, or is not an object.
    """
    text, tree = _read(data, max_depth)
    if not isinstance(tree, dict):
        _refuse("The JSON text must be one object, beginning with '{'.", text, 0)
    return tree


def parse_list(data: bytes | str, *, max_depth: int = 64) -> list[Any]:
    """Read one JSON array as strictly as ``parse`` reads an object."""
    text, found = _read(data, max_depth)
    if not isinstance(found, list):
        _refuse("The JSON text must be one array, beginning with '['.", text, 0)
    return found


def _read(data: bytes | str, max_depth: int) -> tuple[str, Any]:
    text = _decode(data)
    tree = _quickly(text, max_depth)
    if tree is not None:
        return text, tree
    _limit_depth(text, max_depth)
    try:
        tree = _DECODER.decode(text)
    except _DuplicateNameError as twice:
        _refuse_duplicate(text, str(twice))
    except json.JSONDecodeError as error:
        _refuse(f"This is not valid JSON: {_sentence(error)}", text, error.pos)
    except ValueError as error:
        raise _invalid(f"This is not valid JSON: {error}.") from None
    _check_characters(text, tree)
    return text, tree


def _quickly(text: str, max_depth: int) -> Any:
    """Read a text that is certainly in order; None if it isn't, or if to tell takes a closer look.

    The fast reader knows no limit of depth and lets a name given twice pass. So what it made is measured, and
    its members are counted in the text as well, by the quote and colon in the middle of each.
    """
    if any(doubt.search(text) for doubt in _DOUBTS):
        return None
    try:
        tree = _REREADER.decode(text)
    except (msgspec.MsgspecError, ValueError, RecursionError):
        return None
    depth, members = _measured(tree)
    return tree if depth <= max_depth and members == text.count('":') else None


def _measured(tree: Any) -> tuple[float, int]:
    """How deep a tree is (a number may count as a level, one too long as no end of them), and its members."""
    depth = members = 0
    level = [tree]
    while level:
        depth += 1
        deeper: list[Any] = []
        for node in level:
            kind = type(node)
            if kind is dict:
                members += len(node)
                deeper += [value for value in node.values() if type(value) not in _PLAIN]
            elif kind is list:
                deeper += [value for value in node if type(value) not in _PLAIN]
            elif kind is not int or abs(node) >= _TOO_LONG:
                return inf, members
        level = deeper
    return depth, members


def reread(content: bytes) -> Tree:
    """Read what ``parse`` accepted before and a store has kept: the same tree, unchecked and much faster."""
    if _MINUS_ZERO.search(content):  # the fast reader loses the sign of a whole -0
        return parse(content, max_depth=len(content))
    tree: Tree = _REREADER.decode(content)
    return tree


def dump(tree: Mapping[str, Any]) -> bytes:
    """Write a tree as compact UTF-8 JSON, numbers in the text they were read in."""
    return _ENCODER.encode(tree)


def dump_headed(tree: Tree) -> bytes:
    """Write a resource with type, id and meta first, where readers look for them; ``stamp`` fills them in."""
    meta = {**_UNSTAMPED, **tree.get("meta", {}), **_UNSTAMPED}
    head = {"resourceType": tree["resourceType"], "id": "", "meta": meta}
    return _ENCODER.encode(head | {name: value for name, value in tree.items() if name not in head})


def number(text: str) -> int | Decimal:
    """Read one number, keeping its text; ValueError if it is not written as in JSON, or out of range."""
    if not _NUMBER.fullmatch(text):
        raise ValueError(f"{text[:40]!r} is not a number")
    return _integer(text) if text.removeprefix("-").isdigit() else _number(text)


def number_text(value: int | Decimal) -> str:
    """Answer the text a number was read in."""
    return value.text if isinstance(value, _Text) else str(value)


def sorted_text(tree: Mapping[str, Any]) -> bytes:
    """Write a tree with its members in alphabetical order: equal exactly when the content is.

    ``72.50`` and ``72.5`` differ, which Python's equality of numbers would not tell.
    """
    return _SORTED.encode(tree)


def stamp(content: bytes, *, id_: str, version: int, last_updated: str) -> bytes:
    """Set id, meta.versionId and meta.lastUpdated in the text; every other character stays as it is.

    ``content`` must have been read by ``parse`` before, or be what ``dump_headed`` made, which is fastest.
    """
    if head := _HEAD.match(content):
        new = f'"id":"{id_}","meta":{{"versionId":"{version}","lastUpdated":"{last_updated}"'
        return content[: head.end(1)] + new.encode() + content[head.end() :]
    text = content.decode()
    fixed = {"versionId": _quote(str(version)), "lastUpdated": _quote(last_updated)}
    spans = _spans(text, until={"resourceType", "id", "meta"})
    low, high = spans.get("meta", (0, 0))
    meta = text[low:high] if text[low : low + 1] == "{" and low else "{}"
    wanted = {"id": _quote(id_), "meta": _with_members(meta, _spans(meta), fixed)}
    return _with_members(text, spans, wanted).encode()


def with_member(content: bytes, name: str, value: Any) -> bytes:
    """Set one member in the text of an object ``parse`` accepted; every other character stays as it is."""
    text = content.decode()
    return _with_members(text, _spans(text), {name: _ENCODER.encode(value).decode()}).encode()


def _decode(data: bytes | str) -> str:
    if isinstance(data, str):
        return data.removeprefix("\ufeff")
    try:
        return data.removeprefix(_BOM).decode("utf-8")
    except UnicodeDecodeError as error:
        raise _invalid(f"The text is not UTF-8: byte {error.start + 1} can't be read.") from None


def _limit_depth(text: str, max_depth: int) -> None:
    if text.count("[") + text.count("{") <= max_depth:
        return
    depths = accumulate(map(_STEPS.get, _STRINGS.sub("", text), repeat(0)))
    if any(map(max_depth.__lt__, depths)):
        depth = 0
        for found in _BRACKETS.finditer(text):
            depth += _STEPS.get(found[0], 0)
            if depth > max_depth:
                _refuse(f"The JSON is nested deeper than {max_depth} levels.", text, found.start())


def _number(text: str) -> Decimal:
    try:
        value = Decimal(text)
    except InvalidOperation:
        raise ValueError(f"the number {text[:40]} is out of range") from None
    # 1e999999999 is short to read and a gigabyte to write out as a whole number
    if len(text) > _MAX_DIGITS or abs(value.adjusted()) > _MAX_DIGITS:
        raise ValueError(f"the number {text[:40]} is out of range")
    if str(value) == text:
        return value
    exact = _Text(text)
    exact.text = text
    return exact


def _integer(text: str) -> int | Decimal:
    if len(text) > _MAX_DIGITS:
        raise ValueError(f"a number of {len(text)} digits is too long")
    return _number(text) if text == "-0" else int(text)


def _constant(text: str) -> NoReturn:
    raise ValueError(f"{text} is not a JSON number")


def _object(pairs: list[tuple[str, Any]]) -> Tree:
    tree = dict(pairs)
    if len(tree) != len(pairs):
        seen: set[str] = set()
        for name, _ in pairs:
            if name in seen:
                raise _DuplicateNameError(name)
            seen.add(name)
    return tree


_DECODER = json.JSONDecoder(
    object_pairs_hook=_object, parse_float=_number, parse_int=_integer, parse_constant=_constant
)
_REREADER = msgspec.json.Decoder(float_hook=_number)
_SCANNER = json.JSONDecoder()


def _exact(number: _Text) -> msgspec.Raw:
    return msgspec.Raw(number.text.encode())


_ENCODER = msgspec.json.Encoder(decimal_format="number", enc_hook=_exact)
_SORTED = msgspec.json.Encoder(decimal_format="number", enc_hook=_exact, order="sorted")
_quote = json.encoder.encode_basestring
_SPACE = re.compile(r"[ \t\r\n]*")


def _after_space(text: str, position: int) -> int:
    found = _SPACE.match(text, position)
    return found.end() if found else position


def _spans(text: str, *, until: AbstractSet[str] = frozenset()) -> dict[str, tuple[int, int]]:
    """Where the value of each member of the object ``text`` stands; stops when all of ``until`` are found."""
    spans: dict[str, tuple[int, int]] = {}
    position = _after_space(text, _after_space(text, 0) + 1)
    while text[position] != "}" and not (until and until <= spans.keys()):
        if text[position] == ",":
            position = _after_space(text, position + 1)
        name, position = _SCANNER.raw_decode(text, position)
        low = _after_space(text, _after_space(text, position) + 1)
        _, high = _SCANNER.raw_decode(text, low)
        spans[name] = (low, high)
        position = _after_space(text, high)
    return spans


def _with_members(text: str, spans: dict[str, tuple[int, int]], wanted: dict[str, str]) -> str:
    """The object's text with ``wanted`` members replaced in place, absent ones put after resourceType."""
    absent = ",".join(f'"{name}":{value}' for name, value in wanted.items() if name not in spans)
    replaced = {name: value for name, value in wanted.items() if name in spans}
    position = _after_space(text, 0) + 1
    pieces = [text[:position]]
    if absent and "resourceType" in spans:
        low, high = spans["resourceType"]
        replaced["resourceType"] = text[low:high] + "," + absent
    elif absent:
        pieces.append(absent + ("," if spans else ""))
    for name in sorted(replaced, key=lambda name: spans[name]):
        low, high = spans[name]
        pieces += [text[position:low], replaced[name]]
        position = high
    return "".join(pieces) + text[position:]


def _check_characters(text: str, tree: Any) -> None:
    """Refuse what an escape can smuggle into a string: half a surrogate pair, or NUL."""
    if "\\u" not in text:
        return
    try:
        dump(tree)
    except UnicodeEncodeError:
        raise _invalid(
            "A string holds half of a surrogate pair (\\ud800 to \\udfff); send whole characters."
        ) from None
    if found := _NUL.search(text):
        _refuse("A string holds the character \\u0000, which FHIR does not allow.", text, found.start())


def _sentence(error: json.JSONDecodeError) -> str:
    if error.doc.startswith(("//", "/*", "#"), error.pos):
        return "comments are not allowed"
    if error.msg == "Extra data":
        return "there is text after the end of the object"
    return error.msg[:1].lower() + error.msg[1:]


def _refuse_duplicate(text: str, name: str) -> NoReturn:
    for twice, position in repeated_names(text):
        if twice == name:
            _refuse(f"The member '{name}' is given twice in the same object; keep one.", text, position)
    raise _invalid(f"The member '{name}' is given twice in the same object; keep one.")


def _invalid(message: str, place: Place | None = None) -> InvalidInput:
    return InvalidInput(Issue(message, Severity.FATAL, IssueType.STRUCTURE, place or Place()))


def _refuse(message: str, text: str, position: int) -> NoReturn:
    line = text.count("\n", 0, position) + 1
    column = position - text.rfind("\n", 0, position)
    place = Place(reached(text, position), line=line, column=column)
    raise _invalid(f"{message.rstrip('.')} (line {line}, column {column}).", place) from None
