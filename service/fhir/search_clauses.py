"""What a search asks for: query parameters read into clauses (FHIR R4 search.html)."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from service.errors import InvalidInput, Issue, IssueType, Place
from service.fhir.datetimes import interval
from service.fhir.references import local_target
from service.fhir.search_keys import fold
from service.fhir.search_parameters import (
    Clause,
    DateValue,
    Parameter,
    ReferenceValue,
    StringValue,
    TokenValue,
    parameters,
)

__all__ = ["Asked", "Reader", "parse_clauses"]

_MODIFIERS = {
    "token": {"not"},
    "string": {"exact", "contains"},
    "reference": set[str](),
    "date": set[str](),
    "id": set[str](),
    "updated": set[str](),
}
_PREFIX = re.compile(r"(eq|ne|gt|lt|ge|le|sa|eb|ap)?(.*)", re.DOTALL)
_MOST = 500
_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")


@dataclass(frozen=True, slots=True)
class Reader:
    """How values are understood: the site's zone, now (UTC milliseconds, for ``ap``) and the own base URL."""

    zone: ZoneInfo
    now: int
    base: str = ""


@dataclass(frozen=True, slots=True)
class Asked:
    """The clauses of a search, the parameters they came from, and the names nobody knows."""

    clauses: tuple[Clause, ...]
    used: tuple[tuple[str, str], ...]
    unknown: tuple[str, ...]


def parse_clauses(
    type_: str, params: Sequence[tuple[str, str]], *, reader: Reader, lenient: bool = False
) -> Asked:
    """Read the filter parameters of a search on ``type_``; control parameters (_count …) were removed before.

    Repeated parameters all hold, a comma separates alternatives, a backslash makes the next mark literal.
    InvalidInput names every parameter that can't be used; unknown ones only unless ``lenient``.
    """
    table = parameters(type_)
    clauses: list[Clause] = []
    used: list[tuple[str, str]] = []
    unknown: list[str] = []
    issues: list[Issue] = []
    for name, text in params:
        stem, _, modifier = name.partition(":")
        parameter = table.get(stem)
        if parameter is None:
            unknown.append(name)
            continue
        try:
            clauses.append(_clause(parameter, modifier, text, reader))
            used.append((name, text))
        except ValueError as error:
            issues.append(
                Issue(f"Search parameter '{name[:64]}': {error}.", place=Place(expression=f"http.{stem}"))
            )
    if not lenient:
        known = ", ".join(table)
        issues += [_unknown(type_, name, known) for name in unknown]
    if sum(len(clause.values) for clause in clauses) > _MOST:
        issues.append(
            Issue(f"At most {_MOST} values can be asked for in one search.", code=IssueType.TOO_COSTLY)
        )
    if issues:
        raise InvalidInput(issues)
    return Asked(tuple(clauses), tuple(used), tuple(unknown))


def _unknown(type_: str, name: str, known: str) -> Issue:
    text = f"{type_} has no search parameter '{name[:64]}' here; there are: {known}."
    return Issue(text, code=IssueType.NOT_SUPPORTED, place=Place(expression=f"http.{name[:64]}"))


def _clause(parameter: Parameter, modifier: str, text: str, reader: Reader) -> Clause:
    types = parameter.targets if parameter.kind == "reference" else ()
    if modifier in types:
        types, modifier = (modifier,), ""
    if modifier and modifier not in _MODIFIERS[parameter.kind]:
        raise ValueError(f"the modifier ':{modifier[:32]}' is not supported here")
    alternatives = _split(text, ",")
    if not text or not all(alternatives):
        raise ValueError("a value is missing")
    values: list[Any] = []
    for alternative in alternatives:
        if parameter.kind == "token":
            values.append(_token(alternative))
        elif parameter.kind == "reference":
            values.append(_reference(alternative, types, reader.base))
        elif parameter.kind in {"date", "updated"}:
            values.append(_date(_literal(alternative), reader))
        elif parameter.kind == "id":
            values.append(_literal(alternative))
        else:
            values.append(_string(_literal(alternative), modifier))
    return Clause(parameter.index, parameter.kind, tuple(values), modifier, parameter.wide)  # type: ignore[arg-type]  # checked above


def _split(text: str, mark: str) -> list[str]:
    """Split at ``mark`` where no backslash stands before it; escapes stay."""
    parts, current, escaped = [], "", False
    for character in text:
        if character == mark and not escaped:
            parts.append(current)
            current = ""
        else:
            current += character
        escaped = character == "\\" and not escaped
    return [*parts, current]


def _literal(text: str) -> str:
    return re.sub(r"\\([,|$\\])", r"\1", text)


def _token(text: str) -> TokenValue:
    parts = [_literal(part) for part in _split(text, "|")]
    if len(parts) == 1:
        return TokenValue(None, parts[0])
    if len(parts) > 2:
        raise ValueError("a token is written code, system|code, |code or system|")
    system, code = parts
    if not system and not code:
        raise ValueError("a value is missing")
    return TokenValue(system, code or None)


def _reference(text: str, types: tuple[str, ...], base: str) -> ReferenceValue:
    text = _literal(text)
    target = local_target(text, base)
    if target:
        if target.partition("/")[0] not in types:
            raise ValueError(f"it refers to {' or '.join(types)}")
        return ReferenceValue((target,))
    if text.startswith(("http://", "https://")):
        return ReferenceValue((text,))
    if not _ID.fullmatch(text):
        raise ValueError("a reference is written id, Type/id or as a URL")
    return ReferenceValue(tuple(f"{type_}/{text}" for type_ in types))


def _date(text: str, reader: Reader) -> DateValue:
    found = _PREFIX.fullmatch(text)
    prefix, rest = (found[1] or "eq", found[2]) if found else ("eq", text)
    low, high = interval(rest.replace(" ", "+"), reader.zone)  # a '+' that arrives decoded as a space
    if prefix == "ap":  # about: ten per cent of the time between now and the date (search.html, prefixes)
        margin = abs(reader.now - (low + high) // 2) // 10
        low, high = low - margin, high + margin
    return DateValue(prefix, low, high)  # type: ignore[arg-type]  # one of the pattern's alternatives


def _string(text: str, modifier: str) -> StringValue:
    if modifier == "exact":
        return StringValue(text)
    folded = fold(text)
    if not folded:
        raise ValueError("a value is missing")
    return StringValue(folded)
