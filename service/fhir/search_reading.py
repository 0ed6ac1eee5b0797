"""The values of search parameters, read as each parameter type writes them (FHIR R4 search.html)."""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from math import inf, nextafter
from typing import cast, get_args
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from service.fhir.datetimes import interval
from service.fhir.references import local_target
from service.fhir.search_filing import bounded
from service.fhir.search_parameters import Kind
from service.fhir.search_query import (
    Clause,
    DateValue,
    Modifier,
    NumberValue,
    Prefix,
    QuantityValue,
    ReferenceValue,
    StringValue,
    TokenValue,
    UriValue,
    Value,
)
from service.fhir.search_values import fold
from service.fhir.units import UCUM, canonical

__all__ = ["Reader", "Wanted", "literal", "split", "value_of"]

_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_PREFIX = re.compile(rf"({'|'.join(get_args(Prefix))})?(.*)", re.DOTALL)
_NUMBER = re.compile(r"[+-]?(\d{1,300})(?:\.(\d{1,300}))?(?:[eE]([+-]?\d{1,3}))?", re.ASCII)


@dataclass(frozen=True, slots=True)
class Reader:
    """How values are understood: the site's zone, now (UTC milliseconds, for ``ap``) and the own base URL.

    ``codes`` are the codes of value sets (``in``) and those above or below a code, by modifier and value as
    written, looked up before. ``may`` tells whether the caller may search a type: where a reference may lead
    to several, the others are not looked at.
    """

    zone: ZoneInfo
    now: int
    base: str = ""
    codes: Mapping[tuple[str, str], tuple[TokenValue, ...]] = field(default_factory=dict)
    may: Callable[[str], bool] = lambda _: True


@dataclass(frozen=True, slots=True)
class Wanted:
    """The parameter whose values are read: its kind, where its keys are filed, what a reference may name."""

    kind: Kind
    indexes: tuple[str, ...]
    wide: bool | None = False
    targets: tuple[str, ...] = ()

    def beside(self, name: str) -> tuple[str, ...]:
        """The indexes of what is filed beside the values (``Patient.identifier:of-type``)."""
        return tuple(f"{index}:{name}" for index in self.indexes)


def value_of(reader: Reader, asked: Wanted, modifier: str, alternatives: Sequence[str]) -> Clause:
    """Answer the clause of a parameter; ValueError, half a sentence, for a value that can't be read."""
    if asked.kind == "token" and modifier == "of-type":
        of_type = tuple(_of_type(text) for text in alternatives)
        return Clause(asked.beside("of-type"), "token", of_type, "", asked.wide)
    if asked.kind == "reference" and modifier == "identifier":
        tokens = tuple(_token(text) for text in alternatives)
        return Clause(asked.beside("identifier"), "token", tokens, "", asked.wide)
    if asked.kind == "uri" and modifier == "above":
        above = tuple(UriValue(part) for text in alternatives for part in _above(literal(text)))
        return Clause(asked.indexes, "uri", above, "", asked.wide)
    read = _READERS[asked.kind]
    values = tuple(read(text, asked, modifier, reader) for text in alternatives)
    return Clause(asked.indexes, asked.kind, values, cast("Modifier", modifier), asked.wide)


def split(text: str, mark: str) -> list[str]:
    """Split at ``mark`` where no backslash stands before it; escapes stay."""
    if "\\" not in text:
        return text.split(mark)
    parts, current, escaped = [], "", False
    for character in text:
        if character == mark and not escaped:
            parts.append(current)
            current = ""
        else:
            current += character
        escaped = character == "\\" and not escaped
    return [*parts, current]


def literal(text: str) -> str:
    """Take the escapes out of a value."""
    return re.sub(r"\\([,|$\\])", r"\1", text)


def _token(text: str) -> TokenValue:
    parts = [literal(part) for part in split(text, "|")]
    if len(parts) == 1:
        return TokenValue(None, parts[0])
    if len(parts) > 2:
        raise ValueError("a token is written code, system|code, |code or system|")
    system, code = parts
    if not system and not code:
        raise ValueError("a value is missing")
    return TokenValue(system, code or None)


def _of_type(text: str) -> TokenValue:
    parts = [literal(part) for part in split(text, "|")]
    if len(parts) != 3 or not all(parts):
        raise ValueError("an identifier of a type is written system|code|value")
    return TokenValue(parts[0], f"{parts[1]}|{parts[2]}")


def _reference(text: str, types: tuple[str, ...], base: str) -> ReferenceValue:
    text = literal(text)
    target = local_target(text, base)
    if target:
        if target.partition("/")[0] not in types:
            raise ValueError(f"it refers to {' or '.join(types)}")
        return ReferenceValue((target,))
    if urlsplit(text).scheme in {"http", "https", "urn"}:
        return ReferenceValue((text,))
    if not _ID.fullmatch(text):
        raise ValueError("a reference is written id, Type/id or as a URL")
    return ReferenceValue(tuple(f"{type_}/{text}" for type_ in types))


def _above(text: str) -> list[str]:
    """The address and every one it lies below."""
    parts = text.split("/")
    return [text, *("/".join(parts[:count]) for count in range(len(parts) - 1, 0, -1) if parts[count - 1])]


def _prefixed(text: str) -> tuple[Prefix, str]:
    found = _PREFIX.fullmatch(text)
    prefix, rest = (found[1] or "eq", found[2]) if found else ("eq", text)
    return cast("Prefix", prefix), rest


def _date(text: str, reader: Reader) -> DateValue:
    prefix, rest = _prefixed(text)
    low, high = interval(rest.replace(" ", "+"), reader.zone)  # a '+' that arrives decoded as a space
    if prefix == "ap":  # about: ten per cent of the time between now and the date (search.html, prefixes)
        margin = abs(reader.now - (low + high) // 2) // 10
        low, high = low - margin, high + margin
    return DateValue(prefix, low, high)


def _number(text: str, factor: Fraction = Fraction(1), offset: Fraction = Fraction(0)) -> NumberValue:
    """A number, and what its digits leave open: half of the last digit to each side (search.html, number)."""
    prefix, rest = _prefixed(text)
    read = _NUMBER.fullmatch(rest.replace(" ", "+", 1))
    if not read:
        raise ValueError(
            f"'{rest[:40]}' is not a number such as 100, 5.40 or 5.4e-3, after a prefix or without"
        )
    exact = Fraction(Decimal(read[0]))
    places = len(read[2] or "")
    if read[3] and len(read[1]) == 1 and not places:
        places = 1  # 1e2 stands for 95 to 105, as the standard's own example has it
    margin = Fraction(1, 2) * Fraction(10) ** (int(read[3] or 0) - places)
    if prefix == "ap":
        margin = abs(exact) / 10
    ends = (exact - margin, exact + margin, exact)
    low, high, middle = (bounded(one * factor + offset) for one in ends)
    if high <= middle:  # more digits than the store tells apart
        high = nextafter(middle, inf)
    return NumberValue(prefix, min(low, middle), high, middle)


def _quantity(text: str) -> QuantityValue:
    parts = [literal(part) for part in split(text, "|")]
    if len(parts) not in {1, 3} or (len(parts) == 3 and not parts[2]):
        raise ValueError("a quantity is written number, number|system|code or number||code")
    number = _number(parts[0])
    if len(parts) == 1:
        return QuantityValue(number)
    _, system, code = parts
    based = None
    if system == UCUM:
        nought, one = canonical(0, code), canonical(1, code)
        if nought and one:
            based = (_number(parts[0], one[0] - nought[0], nought[0]), one[1])
    return QuantityValue(number, system or None, code, based)


def _folded(text: str) -> str:
    folded = fold(literal(text))
    if not folded:
        raise ValueError("a value is missing")
    return folded


_READERS: dict[str, Callable[[str, Wanted, str, Reader], Value]] = {
    "token": lambda text, _, modifier, __: StringValue(_folded(text)) if modifier == "text" else _token(text),
    "reference": lambda text, asked, _, reader: _reference(text, asked.targets, reader.base),
    "date": lambda text, _, __, reader: _date(literal(text), reader),
    "updated": lambda text, _, __, reader: _date(literal(text), reader),
    "number": lambda text, *_: _number(literal(text)),
    "quantity": lambda text, *_: _quantity(text),
    "string": lambda text, _, modifier, __: StringValue(
        literal(text) if modifier == "exact" else _folded(text)
    ),
    "uri": lambda text, *_: UriValue(literal(text)),
    "id": lambda text, *_: literal(text),
}
