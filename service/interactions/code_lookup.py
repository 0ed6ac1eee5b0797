"""Codes that a search names by a value set, or as above or below a code (FHIR R4 search.html, token)."""

from collections.abc import Sequence

from service.fhir.composition import Composition
from service.fhir.json import Tree
from service.fhir.search_clauses import names_codes
from service.fhir.search_query import TokenValue
from service.fhir.search_reading import literal, split
from service.interactions.context import Context
from service.interactions.terms import Terms
from service.store.contract import Store, Transaction

__all__ = ["look_up"]

_NARROWING = frozenset({"concept", "filter", "valueSet"})
Codes = dict[tuple[str, str], tuple[TokenValue, ...]]


async def look_up(
    store: Store | Transaction, params: Sequence[tuple[str, str]], *, context: Context
) -> Codes:
    """Answer the codes for each ``:in``, ``:not-in``, ``:above`` and ``:below`` value that can be told."""
    found: Codes = {}
    for name, text in params:
        modifier = name.rpartition(":")[2].removeprefix("not-")
        for value in split(text, ",") if names_codes(name) else ():
            terms = Terms(store, context)
            codes = await (_members(terms, value) if modifier == "in" else _around(terms, value, modifier))
            if codes:
                found[modifier, value] = codes
    return found


async def _members(terms: Terms, value: str) -> tuple[TokenValue, ...] | None:
    tree = await _value_set(terms, literal(value))
    if tree is None:
        return None
    await terms.prepare(tree)
    return _tokens(tree, Composition(terms))


async def _value_set(terms: Terms, address: str) -> Tree | None:
    """By canonical address (``url`` or ``url|version``) or as ``ValueSet/id``."""
    if address.startswith("ValueSet/"):
        return await terms.stored("ValueSet", address.removeprefix("ValueSet/"))
    await terms.find("ValueSet", address)
    return terms.value_set(address)


def _tokens(tree: Tree, composition: Composition) -> tuple[TokenValue, ...] | None:
    """The codes; a whole code system is a value without code, whether its codes are known here or not."""
    parts = tree.get("compose", {}).get("include", ())
    narrower = [part for part in parts if "system" not in part or part.keys() & _NARROWING]
    wholes = [part["system"] for part in parts if part not in narrower]
    if not wholes or "exclude" in tree["compose"]:
        listed = composition.members(tree)
        return None if listed is None else tuple(TokenValue(*key) for key in listed)
    found = _tokens({"compose": {"include": narrower}}, composition) if narrower else ()
    return None if found is None else (*(TokenValue(one, None) for one in wholes), *found)


async def _around(terms: Terms, value: str, modifier: str) -> tuple[TokenValue, ...] | None:
    url, mark, code = (literal(part) for part in value.partition("|"))
    if not mark:
        return None
    await terms.find("CodeSystem", url)
    system = terms.code_system(url)
    if system is None or system.supplement:
        return None
    return tuple(
        TokenValue(url, one) for one in (system.below(code) if modifier == "below" else system.above(code))
    )
