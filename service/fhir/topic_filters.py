"""Filters of a topic: written as a search is, and asked of one resource alone."""

from urllib.parse import parse_qsl

from service.fhir.json import Tree
from service.fhir.search_parameters import Parameter
from service.fhir.search_query import Clause, ReferenceValue, TokenValue
from service.fhir.search_reading import Reader, Wanted, split, value_of
from service.fhir.search_values import SearchKeys
from service.fhir.topics import Topic

__all__ = ["filter_clauses", "hold", "included"]


def filter_clauses(topic: Topic, text: str, reader: Reader) -> list[Clause]:
    """Read ``Goal?patient=Patient/1``; ValueError, half a sentence, if it can't be read."""
    type_, mark, query = text.partition("?")
    if not mark or type_ != topic.type:
        raise ValueError(f"it is written {topic.type}?parameter=value")
    try:
        pairs = parse_qsl(
            query, keep_blank_values=True, strict_parsing=True, errors="strict", max_num_fields=20
        )
    except ValueError:
        raise ValueError(
            f"it is written {topic.type}?parameter=value, at most 20 of them joined by &"
        ) from None
    return [_clause(topic, name, value, reader) for name, value in pairs]


def _clause(topic: Topic, name: str, value: str, reader: Reader) -> Clause:
    found = next((one for one in topic.filters if one.name == name), None)
    if found is None:
        able = ", ".join(one.name for one in topic.filters)
        raise ValueError(f"'{name[:40]}' does not narrow this topic; these do: {able}")
    if not value:
        raise ValueError(f"'{name}' has no value")
    wanted = Wanted(found.kind, found.indexes, found.wide, found.targets)
    return value_of(reader, wanted, "", split(value, ","))


def hold(clause: Clause, keys: SearchKeys, tree: Tree) -> bool:
    """Whether a filter holds of a resource, found by these keys."""
    if clause.kind == "id":
        return tree.get("id") in clause.values
    if clause.kind == "reference":
        wanted = {
            one for value in clause.values if isinstance(value, ReferenceValue) for one in value.targets
        }
        return any(key.name in clause.indexes and key.target in wanted for key in keys.references)
    tokens = [value for value in clause.values if isinstance(value, TokenValue)]
    return any(
        key.name in clause.indexes
        and any(value.system in {None, key.system} and value.code in {None, key.code} for value in tokens)
        for key in keys.tokens
    )


def included(parameters: tuple[Parameter, ...], keys: SearchKeys) -> list[str]:
    """What a resource refers to by these parameters (``Type/id``), each once."""
    return list(
        dict.fromkeys(
            key.target
            for one in parameters
            for key in keys.references
            if key.name in one.indexes and key.target.partition("/")[0] in one.targets
        )
    )
