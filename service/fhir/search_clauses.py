"""What a search asks for: query parameters read into conditions (FHIR R4 search.html)."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from service.errors import InvalidInput, Issue, IssueType, Place
from service.fhir.search_parameters import Parameter, parameters, stored_types
from service.fhir.search_query import Chain, Clause, Condition, Has, Linked, Together, TokenValue
from service.fhir.search_reading import Reader, Wanted, split, value_of

__all__ = ["Asked", "Reader", "names_codes", "parse_clauses", "table_of"]

_MODIFIERS: dict[str, frozenset[str]] = {
    "token": frozenset({"missing", "not", "text", "in", "not-in", "above", "below", "of-type"}),
    "string": frozenset({"missing", "exact", "contains"}),
    "reference": frozenset({"missing", "identifier"}),
    "uri": frozenset({"missing", "above", "below"}),
    "date": frozenset({"missing"}),
    "number": frozenset({"missing"}),
    "quantity": frozenset({"missing"}),
    "updated": frozenset({"missing"}),
    "id": frozenset(),
    "composite": frozenset(),
}
_MOST = 500
_DEEPEST = 5


@dataclass(frozen=True, slots=True)
class Asked:
    """The conditions of a search, the parameters they came from, and the names nobody knows.

    ``types`` are all that the conditions look at besides the type searched: by chaining and ``_has``.
    """

    clauses: tuple[Condition, ...]
    used: tuple[tuple[str, str], ...]
    unknown: tuple[str, ...]
    types: tuple[str, ...] = ()


class _UnknownError(ValueError):
    """No such parameter."""


def parse_clauses(
    types: str | Sequence[str], params: Sequence[tuple[str, str]], *, reader: Reader, lenient: bool = False
) -> Asked:
    """Read the filter parameters of a search; control parameters (_count …) were removed before.

    Of several ``types`` only parameters that each of them has can be used. Repeated parameters all hold, a
    comma separates alternatives, a backslash makes the next mark literal. InvalidInput names what
    can't be used; unknown ones only unless ``lenient``.
    """
    every = (types,) if isinstance(types, str) else tuple(types)
    reading = _Reading(reader)
    clauses: list[Condition] = []
    used: list[tuple[str, str]] = []
    unknown: list[str] = []
    issues: list[Issue] = []
    for name, text in params:
        try:
            clauses += reading.conditions(every, name, text, 0)
            used.append((name, text))
        except _UnknownError as error:
            unknown.append(name)
            if not lenient:
                issues.append(_issue(name, f"{error}", IssueType.NOT_SUPPORTED))
        except ValueError as error:
            issues.append(_issue(name, f"Search parameter '{name[:64]}': {error}."))
    if reading.values > _MOST:
        text = f"At most {_MOST} values can be asked for in one search."
        issues.append(Issue(text, code=IssueType.TOO_COSTLY))
    if issues:
        raise InvalidInput(issues)
    return Asked(tuple(clauses), tuple(used), tuple(unknown), tuple(dict.fromkeys(reading.types)))


def names_codes(name: str) -> bool:
    """Whether a parameter's modifier asks for a value set or for what a code stands above or below of."""
    return name.rpartition(":")[2] in {"in", "not-in", "above", "below"}


@lru_cache(maxsize=200)
def table_of(types: tuple[str, ...]) -> dict[str, tuple[Parameter, ...]]:
    """Answer the parameters that all ``types`` have, by name, with the one of each type."""
    tables = [parameters(type_) for type_ in types]
    return {
        name: found
        for name, first in tables[0].items()
        if all(name in table and table[name].kind == first.kind for table in tables)
        for found in [tuple(table[name] for table in tables)]
    }


def _issue(name: str, text: str, code: IssueType = IssueType.INVALID) -> Issue:
    return Issue(text, code=code, place=Place(expression=f"http.{re.split(r'[:.]', name)[0][:64]}"))


class _Reading:
    """One search being read: how values are understood, and what it has come to so far."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader
        self.values = 0
        self.types: list[str] = []

    def conditions(self, types: Sequence[str], name: str, text: str, depth: int) -> list[Condition]:
        """All conditions of one parameter; _UnknownError, or ValueError with half a sentence."""
        if depth > _DEEPEST:
            raise ValueError(f"it leads over more than {_DEEPEST} references")
        if name.startswith("_has:"):
            return [self._has(types, name, text, depth)]
        first, dot, rest = name.partition(".")
        stem, _, modifier = first.partition(":")
        found = table_of(types).get(stem)
        if found is None:
            known = ", ".join(table_of(types))
            raise _UnknownError(
                f"'{stem[:64]}' is no search parameter of {_listed(types)} here; there are: {known}."
            )
        if dot:
            return [self._chain(found, modifier, rest, text, depth)]
        return self._clauses(found, modifier, text)

    def _has(self, types: Sequence[str], name: str, text: str, depth: int) -> Condition:
        parts = name.split(":", 3)
        if len(parts) < 4 or not parts[3]:
            raise ValueError("it is written _has:Type:reference:parameter")
        _, by, reference, rest = parts
        if by not in stored_types():
            raise ValueError(f"'{by[:64]}' is not a resource type this service stores")
        parameter = parameters(by).get(reference)
        if parameter is None or parameter.kind != "reference":
            raise ValueError(f"'{reference[:64]}' is not a reference parameter of {by}")
        if not set(types) & set(parameter.targets):
            raise ValueError(f"{by}:{reference} does not refer to {' or '.join(types)}")
        self.types.append(by)
        return Has(parameter.indexes, Linked(by, self._single((by,), rest, text, depth)))

    def _chain(
        self, found: Sequence[Parameter], modifier: str, rest: str, text: str, depth: int
    ) -> Condition:
        if found[0].kind != "reference":
            raise ValueError(f"'{found[0].name}' is no reference, so nothing can follow after the dot")
        targets = {target for one in found for target in one.targets} & set(stored_types())
        if modifier and modifier not in targets:
            raise ValueError(f"it refers to {' or '.join(sorted(targets))}")
        stem = re.split(r"[:.]", rest)[0]
        ends = sorted({modifier} if modifier else targets)
        ends = [end for end in ends if stem == "_has" or stem in parameters(end)]
        ends = [end for end in ends if modifier or self._reader.may(end)] or ends
        if not ends:
            raise ValueError(f"nothing it refers to has a search parameter '{stem[:64]}'")
        linked: list[Linked] = []
        for end in ends:
            try:
                linked.append(Linked(end, self._single((end,), rest, text, depth)))
            except ValueError:
                if len(ends) == 1:
                    raise
        if not linked:
            raise ValueError(f"'{rest[:64]}' can't be used with this value")
        self.types += [end.type for end in linked]
        return Chain(tuple(dict.fromkeys(index for one in found for index in one.indexes)), tuple(linked))

    def _single(self, types: Sequence[str], name: str, text: str, depth: int) -> Condition:
        try:
            conditions = self.conditions(types, name, text, depth + 1)
        except _UnknownError as error:
            raise ValueError(f"{error}".rstrip(".")) from error
        if len(conditions) != 1:
            raise ValueError("this can't be asked across a reference")
        return conditions[0]

    def _clauses(self, found: Sequence[Parameter], modifier: str, text: str) -> list[Condition]:
        first = found[0]
        if first.kind == "composite":
            if modifier:
                raise ValueError(f"the modifier ':{modifier[:32]}' is not supported here")
            return [self._composite(first, text)]
        return [self._clause(found, modifier, text)]

    def _clause(self, found: Sequence[Parameter], modifier: str, text: str) -> Clause:
        first = found[0]
        indexes = tuple(dict.fromkeys(index for one in found for index in one.indexes))
        targets = tuple(dict.fromkeys(target for one in found for target in one.targets))
        wide = first.wide if len({one.wide for one in found}) == 1 else None
        if modifier in targets:
            targets, modifier = (modifier,), ""
        if modifier and modifier not in _MODIFIERS[first.kind]:
            raise ValueError(f"the modifier ':{modifier[:32]}' is not supported here")
        alternatives = split(text, ",")
        if not text or not all(alternatives):
            raise ValueError("a value is missing")
        self.values += len(alternatives)
        if modifier == "missing":
            if text not in {"true", "false"}:
                raise ValueError("it must be true or false")
            narrowed = targets if first.kind == "reference" and not first.filed else ()
            return Clause(indexes, first.kind, (text == "true",), "missing", wide, narrowed)
        if first.kind == "token" and modifier in {"in", "not-in", "above", "below"}:
            return self._coded(Wanted(first.kind, indexes, wide), modifier, alternatives)
        return value_of(self._reader, Wanted(first.kind, indexes, wide, targets), modifier, alternatives)

    def _coded(self, asked: Wanted, modifier: str, alternatives: Sequence[str]) -> Clause:
        values: list[TokenValue] = []
        for text in alternatives:
            known = self._reader.codes.get((modifier.removeprefix("not-"), text))
            if known is None:
                raise ValueError("the code system or value set is not stored here, or can't be listed")
            values += known
        outside = modifier == "not-in"
        return Clause(asked.indexes, "token", tuple(values), "not" if outside else "", asked.wide)

    def _composite(self, parameter: Parameter, text: str) -> Together:
        table = parameters(parameter.indexes[0].partition(".")[0])
        parts = [table[name] for name in parameter.parts]
        pairs: list[tuple[Clause, Clause]] = []
        for alternative in split(text, ","):
            texts = split(alternative, "$")
            if len(texts) != 2:
                raise ValueError("a composite is written value$value")
            one, other = (
                self._clause([part], "", part_text) for part, part_text in zip(parts, texts, strict=True)
            )
            pairs.append((one, other))
        return Together(tuple(pairs))


def _listed(types: Sequence[str]) -> str:
    return " and ".join(types) if len(types) < 4 else f"{len(types)} types together"
