"""Whom a search asks about: the patients it names, by a reference or by their own id, wherever it looks.

Its answer is about them also where it is a number alone or nothing at all.
"""

import re
from collections.abc import Iterable, Iterator

from service.fhir.search_query import AnyOf, Chain, Clause, Condition, Has, Linked, Not, ReferenceValue
from service.store.contract import Query

__all__ = ["asked_about"]

_PATIENT = re.compile(r"Patient/([A-Za-z0-9\-.]{1,64})")
_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")


def asked_about(query: Query) -> dict[str, None]:
    """Answer the ids of the patients whom a search names, each once."""
    return dict.fromkeys(_named_by_all((query.type, *query.also), query.clauses)) if query.clauses else {}


def _named_by_all(types: tuple[str, ...], conditions: Iterable[Condition]) -> Iterator[str]:
    for condition in conditions:
        yield from _named(types, condition)


def _named(types: tuple[str, ...], condition: Condition) -> Iterator[str]:
    match condition:
        case Clause(kind="id"):
            if "Patient" in types:
                yield from (str(one) for one in condition.values if _ID.fullmatch(str(one)))
        case Clause(kind="reference"):
            for value in condition.values:
                if isinstance(value, ReferenceValue):
                    yield from (found[1] for one in value.targets if (found := _PATIENT.fullmatch(one)))
        case Chain():
            yield from _at_ends(condition.ends)
        case Has():
            yield from _at_ends((condition.by,))
        case Not():
            yield from _named(types, condition.condition)
        case AnyOf():
            yield from (id_ for way in condition.ways for id_ in _named_by_all(types, way))


def _at_ends(ends: Iterable[Linked]) -> Iterator[str]:
    for end in ends:
        yield from _named((end.type,), end.condition)
