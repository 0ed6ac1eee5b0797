"""Codes that a search names by a value set, or as above or below a code, looked up in what is stored."""

from collections.abc import Iterable, Sequence

from service.fhir.code_lists import around, codes_of
from service.fhir.json import Tree, reread
from service.fhir.search_clauses import names_codes
from service.fhir.search_parameters import parameters
from service.fhir.search_query import Clause, TokenValue, UriValue
from service.fhir.search_reading import literal, split
from service.store.contract import Query, Store, Transaction

__all__ = ["look_up"]

_DEEPEST = 5
Codes = dict[tuple[str, str], tuple[TokenValue, ...]]


async def look_up(store: Store | Transaction, params: Sequence[tuple[str, str]]) -> Codes:
    """Answer the codes for each ``:in``, ``:not-in``, ``:above`` and ``:below`` value that can be told."""
    found: Codes = {}
    for name, text in params:
        modifier = name.rpartition(":")[2].removeprefix("not-")
        for value in split(text, ",") if names_codes(name) else ():
            codes = await (_members(store, value) if modifier == "in" else _around(store, value, modifier))
            if codes:
                found[modifier, value] = codes
    return found


async def _members(store: Store | Transaction, value: str) -> tuple[TokenValue, ...] | None:
    known: dict[str, Tree | None] = {}
    first = await _value_set(store, literal(value))
    waiting = [first]
    for _ in range(_DEEPEST):  # the sets it is made of, level by level
        addresses = [one for tree in waiting if tree for one in _made_of(tree) if one not in known]
        waiting = []
        for address in addresses:
            known[address] = await _value_set(store, address)
            waiting.append(known[address])
    return codes_of(first, known.get) if first is not None else None


def _made_of(value_set: Tree) -> Iterable[str]:
    compose = value_set.get("compose", {})
    for part in (*compose.get("include", ()), *compose.get("exclude", ())):
        yield from part.get("valueSet", ())


async def _around(store: Store | Transaction, value: str, modifier: str) -> tuple[TokenValue, ...] | None:
    system, mark, code = (literal(part) for part in value.partition("|"))
    tree = await _stored(store, "CodeSystem", system) if mark else None
    if tree is None:
        return None
    return tuple(TokenValue(system, one) for one in around(tree, code, below=modifier == "below"))


async def _value_set(store: Store | Transaction, address: str) -> Tree | None:
    """By canonical address (``url`` or ``url|version``) or as ``ValueSet/id``."""
    if address.startswith("ValueSet/"):
        version = await store.read("ValueSet", address.removeprefix("ValueSet/"))
        return reread(version.content) if version is not None and not version.deleted else None
    return await _stored(store, "ValueSet", address)


async def _stored(store: Store | Transaction, type_: str, address: str) -> Tree | None:
    url, _, wanted = address.partition("|")
    parameter = parameters(type_)["url"]
    clause = Clause(parameter.indexes, "uri", (UriValue(url),), "", parameter.wide)
    page = await store.search(Query(type_, (clause,), count=50, total="none"))
    trees = [reread(version.content) for version in page.versions]
    return next((tree for tree in reversed(trees) if wanted in {"", tree.get("version")}), None)
