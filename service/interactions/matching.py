"""Conditional requests: the resources that match a search (FHIR R4 http.html, conditional interactions)."""

from collections.abc import Iterable
from dataclasses import replace
from urllib.parse import parse_qsl

from service.errors import Forbidden, InvalidInput, Issue, IssueType, PreconditionFailed
from service.fhir.datetimes import milliseconds
from service.fhir.search_clauses import Reader, parse_clauses
from service.fhir.search_query import Clause, TokenValue
from service.interactions.code_lookup import look_up
from service.interactions.context import Context
from service.interactions.entry import Entry, placed
from service.store.contract import Identified, Query, Transaction, Version

__all__ = ["Matches", "check_no_tag", "check_tag", "one_match", "reader"]

_NOTHING = Identified("", "", "")


def reader(context: Context) -> Reader:
    """How search values are understood in this context."""

    def may(type_: str) -> bool:
        try:
            context.allow("s", type_)
        except Forbidden:
            return False
        return True

    return Reader(context.zone, milliseconds(context.clock()), context.base, may=may)


class Matches:
    """The matches of a transaction's conditions; those by one identifier are looked for all at once."""

    def __init__(self, txn: Transaction, context: Context) -> None:
        """Nothing is looked for yet."""
        self._txn = txn
        self._context = context
        self._reader = reader(context)
        self._queries: dict[tuple[str, str], Query] = {}
        self._found: dict[Identified, list[Version]] = {}

    async def look_ahead(self, requests: Iterable[Entry]) -> None:
        """Read the conditions of the requests, and look for the identifiers among them."""
        for request in requests:
            if request.condition:
                with placed(request.index):
                    await self._query(request.type, request.condition)
        asked = {one for query in self._queries.values() if (one := _identified(query))} - self._found.keys()
        if asked:
            every = list(asked)
            self._found |= zip(every, await self._txn.find_all(every), strict=True)

    async def one(self, type_: str, criteria: str) -> Version | None:
        """Answer the only match of ``criteria`` (query text), None if there is none.

        PreconditionFailed if there are several, InvalidInput if the criteria say nothing or can't be read.
        """
        query = await self._query(type_, criteria)
        found = self._found.get(_identified(query) or _NOTHING)
        versions = (await self._txn.search(query)).versions if found is None else found
        if len(versions) > 1:
            text = f"Several {type_} match the condition; make it name exactly one, best by its identifier."
            raise PreconditionFailed(Issue(text, code=IssueType.MULTIPLE_MATCHES))
        return versions[0] if versions else None

    async def _query(self, type_: str, criteria: str) -> Query:
        known = self._queries.get((type_, criteria))
        if known is None:
            known = self._queries[type_, criteria] = await self._read(type_, criteria)
        return known

    async def _read(self, type_: str, criteria: str) -> Query:
        try:
            params = parse_qsl(criteria.removeprefix("?"), keep_blank_values=True, max_num_fields=100)
        except ValueError:
            params = []
        if not params:
            raise InvalidInput("A conditional request needs at least one search parameter.")
        codes = await look_up(self._txn, params, context=self._context)
        how = replace(self._reader, codes=codes) if codes else self._reader
        asked = parse_clauses(type_, params, reader=how)
        for other in asked.types:
            self._context.allow("s", other)
        return Query(type_, asked.clauses, count=2, total="none")


async def one_match(txn: Transaction, type_: str, criteria: str, *, context: Context) -> Version | None:
    """Answer the only match of one condition as it stands now; see ``Matches.one``."""
    return await Matches(txn, context).one(type_, criteria)


def _identified(query: Query) -> Identified | None:
    """The business identifier that is all a query asks for."""
    if len(query.clauses) != 1 or not isinstance(clause := query.clauses[0], Clause):
        return None
    if clause.indexes != (f"{query.type}.identifier",) or clause.modifier or len(clause.values) != 1:
        return None
    value = clause.values[0]
    if not (isinstance(value, TokenValue) and value.system and value.code):
        return None
    return Identified(query.type, value.system, value.code)


def check_tag(if_match: str | None, newest: Version | None) -> None:
    """PreconditionFailed unless ``if_match`` (``W/"3"``) names the version there is; None asks nothing."""
    if if_match is None:
        return
    numbers = _numbers(if_match)
    if "" in numbers:
        raise InvalidInput('If-Match must be an entity tag such as W/"3".')
    if newest is None or newest.deleted or not numbers & {"*", str(newest.version)}:
        raise PreconditionFailed(
            "The resource has changed since the version named in If-Match; read it again."
        )


def check_no_tag(if_none_match: str | None, newest: Version | None) -> None:
    """PreconditionFailed if ``if_none_match`` names the version there is; ``*`` names any."""
    if if_none_match is None or newest is None or newest.deleted:
        return
    if _numbers(if_none_match) & {"*", str(newest.version)}:
        raise PreconditionFailed("If-None-Match names what is there already; nothing was written.")


def _numbers(tags: str) -> set[str]:
    """The versions that a list of entity tags names, weak or not, also without their quotes."""
    return {tag.strip().removeprefix("W/").strip('"') for tag in tags.split(",")}
