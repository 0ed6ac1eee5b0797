"""A search as a caller may make it: kept to what they reach wherever it looks.

What a chain or a ``_has`` leads to is looked at only within reach too, so that no match, total or order tells
anything of what lies beyond.
"""

from collections.abc import Sequence
from dataclasses import replace

from service.fhir.search_query import AnyOf, Chain, Condition, Has, Linked, OfType
from service.security.judge import Judge
from service.store.contract import Query

__all__ = ["confined", "reached"]

_Kept = dict[str, tuple[Condition, ...]]
"""What holds of the resources of a type that are reached."""


async def confined(query: Query, judge: Judge) -> Query:
    """Answer the query with what confines the caller; the very same if nothing does."""
    types = (query.type, *query.also)
    linked = {type_ for one in query.clauses for type_ in _linked(one)}
    kept = {type_: await reached(type_, judge) for type_ in {*types, *linked}}
    if not any(kept.values()):
        return query
    clauses = tuple(_within(one, kept) for one in query.clauses)
    return replace(query, clauses=(*clauses, *_all_types(types, kept)))


async def reached(type_: str, judge: Judge) -> tuple[Condition, ...]:
    """Answer what holds of the resources of a type that are reached."""
    return (*judge.reach.conditions(type_), *await judge.kept_from([type_]))


def _all_types(types: Sequence[str], kept: _Kept) -> tuple[Condition, ...]:
    """What holds of all types; conditions that many share stand once."""
    shared = [one for one in kept[types[0]] if all(one in kept[type_] for type_ in types)]
    groups: dict[tuple[Condition, ...], list[str]] = {}
    for type_ in types:
        groups.setdefault(tuple(one for one in kept[type_] if one not in shared), []).append(type_)
    if len(groups) == 1:
        return (*shared, *next(iter(groups)))
    ways = tuple((OfType(tuple(members)), *own) for own, members in groups.items())
    return (*shared, AnyOf(ways))


def _linked(condition: Condition) -> list[str]:
    """The types at the other ends of a condition."""
    match condition:
        case Chain():
            return [type_ for end in condition.ends for type_ in (end.type, *_linked(end.condition))]
        case Has():
            return [condition.by.type, *_linked(condition.by.condition)]
    return []


def _within(condition: Condition, kept: _Kept) -> Condition:
    match condition:
        case Chain():
            return replace(condition, ends=tuple(_end(end, kept) for end in condition.ends))
        case Has():
            return replace(condition, by=_end(condition.by, kept))
    return condition


def _end(end: Linked, kept: _Kept) -> Linked:
    inner = _within(end.condition, kept)
    return Linked(end.type, AnyOf(((inner, *kept[end.type]),)) if kept[end.type] else inner)
