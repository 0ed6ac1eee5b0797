"""FHIRPath functions on text (section 5.6), and what FHIR encodes as text."""

import base64
import binascii
import html
import json
from collections.abc import Callable
from typing import Any

from service.fhir.fhirpath.context import Context
from service.fhir.fhirpath.evaluation import Evaluated, Function, Functions, single
from service.fhir.fhirpath.regexes import is_match, replaced

__all__ = ["FUNCTIONS"]

_CHARACTERS_A_STEP = 4
_ENCODINGS: dict[str, tuple[Callable[[bytes], str], Callable[[str], bytes]]] = {
    "hex": (bytes.hex, bytes.fromhex),
    "base64": (lambda raw: base64.b64encode(raw).decode(), base64.b64decode),
    "urlbase64": (lambda raw: base64.urlsafe_b64encode(raw).decode(), base64.urlsafe_b64decode),
}


def _on_text(
    function: Callable[..., Any], least: int = 0, most: int | None = None
) -> tuple[int, int, Function]:
    """A function of one text and of arguments, each one text or number; nothing if one is missing."""

    def evaluate(context: Context, items: list[Any], *arguments: Evaluated) -> list[Any]:
        text = single(items, str)
        given = [single(argument(context), (str, int)) for argument in arguments]
        if text is None or None in given:
            return []
        found = function(text, *given)
        return [] if found is None else [found]

    return least, least if most is None else most, evaluate


def _substring(text: str, start: int, length: int | None = None) -> str | None:
    if not 0 <= start < len(text):
        return None
    return text[start:] if length is None else text[start : start + max(0, length)]


def _part(context: Context, items: list[Any], start: Evaluated, length: Evaluated | None = None) -> list[Any]:
    text, first = single(items, str), single(start(context), int)
    most = single(length(context), int) if length is not None else None
    found = None if text is None or first is None else _substring(text, first, most)
    return [] if found is None else [found]


def _by_pattern(function: Callable[..., Any], most: int) -> tuple[int, int, Function]:
    """A function of one text and a regular expression; it counts as much work as the text is long."""
    least, most, on_text = _on_text(function, most)

    def evaluate(context: Context, items: list[Any], *arguments: Evaluated) -> list[Any]:
        context.environment.spend(len(single(items, str) or "") // _CHARACTERS_A_STEP)
        return on_text(context, items, *arguments)

    return least, most, evaluate


def _replaced(text: str, pattern: str, new: str) -> str:
    return replaced(text, pattern, new) if pattern else text


def _split(context: Context, items: list[Any], separator: Evaluated) -> list[Any]:
    text, between = single(items, str), single(separator(context), str)
    if text is None or between is None:
        return []
    return list(text.split(between) if between else text)


def _join(context: Context, items: list[Any], separator: Evaluated | None = None) -> list[Any]:
    between = single(separator(context), str) or "" if separator is not None else ""
    return [between.join(single([item], str) for item in items)] if items else []


def _encoded(text: str, kind: str) -> str | None:
    return _ENCODINGS[kind][0](text.encode()) if kind in _ENCODINGS else None


def _decoded(text: str, kind: str) -> str | None:
    try:
        return _ENCODINGS[kind][1](text).decode() if kind in _ENCODINGS else None
    except (binascii.Error, ValueError):
        return None


def _escaped(text: str, kind: str) -> str | None:
    if kind == "html":
        return html.escape(text, quote=True)
    return json.dumps(text, ensure_ascii=False)[1:-1] if kind == "json" else None


def _unescaped(text: str, kind: str) -> str | None:
    if kind == "html":
        return html.unescape(text)
    return str(json.loads(f'"{text}"', strict=False)) if kind == "json" and "\\" in text else text


FUNCTIONS: Functions = {
    "contains": _on_text(lambda text, part: part in text, 1),
    "decode": _on_text(_decoded, 1),
    "encode": _on_text(_encoded, 1),
    "endsWith": _on_text(str.endswith, 1),
    "escape": _on_text(_escaped, 1),
    "indexOf": _on_text(str.find, 1),
    "join": (0, 1, _join),
    "lastIndexOf": _on_text(str.rfind, 1),
    "length": _on_text(len),
    "lower": _on_text(str.lower),
    "matches": _by_pattern(is_match, 1),
    "matchesFull": _by_pattern(lambda text, pattern: is_match(text, pattern, whole=True), 1),
    "replace": _on_text(lambda text, old, new: text.replace(old, new), 2),
    "replaceMatches": _by_pattern(_replaced, 2),
    "split": (1, 1, _split),
    "startsWith": _on_text(str.startswith, 1),
    "substring": (1, 2, _part),
    "toChars": (0, 0, lambda _, items: list(single(items, str) or "")),
    "trim": _on_text(str.strip),
    "unescape": _on_text(_unescaped, 1),
    "upper": _on_text(str.upper),
}
