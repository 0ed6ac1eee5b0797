"""What a transaction relied on that no row shows: races on absence, made visible where many processes write.

PostgreSQL's REPEATABLE READ notices when two transactions change the same row, not when both looked for the
same thing, found nothing and each wrote it. So what was looked for is reduced to a number, and a transaction
that writes also writes the rows of its numbers: two at once then do change the same row, and one is done
again. Numbers are few and shared, which costs a repetition now and then and never a wrong result.
"""

import hashlib

from service.fhir.search_query import Clause, ReferenceValue, TokenValue
from service.fhir.search_values import SearchKeys
from service.store.contract import Query

__all__ = ["guard_of_identifier", "guards_of_keys", "guards_of_search"]

_SLOTS = 1 << 20


def guard_of_identifier(value: str) -> int:
    """The guard of a business identifier nothing carries yet."""
    return _number(f"identifier {value}")


def guards_of_keys(keys: SearchKeys) -> set[int]:
    """The guards of those who look for what is written with these keys."""
    guards = {guard_of_identifier(key.code) for key in keys.tokens if key.name.endswith(".identifier")}
    return guards | {_about(f"Patient/{keys.patient}")} if keys.patient else guards


def guards_of_search(query: Query, *, empty: bool) -> set[int]:
    """The guards of one search: the patients whose resources were listed, and what was looked for in vain.

    ``empty``: nothing was found.
    """
    clauses = [clause for clause in query.clauses if isinstance(clause, Clause)]
    guards = {
        _about(target)
        for clause in clauses
        for value in clause.values
        if isinstance(value, ReferenceValue)
        for target in value.targets
        if target.startswith("Patient/")
    }
    if not empty or guards:
        return guards
    identifiers = {
        value.code
        for clause in clauses
        if all(index.endswith(".identifier") for index in clause.indexes)
        for value in clause.values
        if isinstance(value, TokenValue) and value.code is not None
    }
    if identifiers:
        return {guard_of_identifier(value) for value in identifiers}
    return {_number(f"{query.type} {query.clauses}")}


def _about(patient: str) -> int:
    return _number(f"about {patient}")


def _number(text: str) -> int:
    digest = hashlib.blake2b(text.encode("utf-8", "surrogatepass"), digest_size=8).digest()
    return int.from_bytes(digest, "big") % _SLOTS
