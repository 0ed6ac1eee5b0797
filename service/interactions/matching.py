"""Conditional requests: the resources that match a search (FHIR R4 http.html, conditional interactions)."""

from dataclasses import replace
from urllib.parse import parse_qsl

from service.errors import Forbidden, InvalidInput, Issue, IssueType, PreconditionFailed
from service.fhir.datetimes import milliseconds
from service.fhir.search_clauses import Reader, parse_clauses
from service.interactions.code_lookup import look_up
from service.interactions.context import Context
from service.store.contract import Query, Transaction, Version

__all__ = ["check_tag", "one_match", "reader"]


def reader(context: Context) -> Reader:
    """How search values are understood in this context."""

    def may(type_: str) -> bool:
        try:
            context.allow("s", type_)
        except Forbidden:
            return False
        return True

    return Reader(context.zone, milliseconds(context.clock()), context.base, may=may)


async def one_match(txn: Transaction, type_: str, criteria: str, *, context: Context) -> Version | None:
    """Answer the only match of ``criteria`` (query text), None if there is none.

    PreconditionFailed if there are several, InvalidInput if the criteria say nothing or can't be read.
    """
    try:
        params = parse_qsl(criteria.removeprefix("?"), keep_blank_values=True, max_num_fields=100)
    except ValueError:
        params = []
    if not params:
        raise InvalidInput("A conditional request needs at least one search parameter.")
    codes = await look_up(txn, params)
    asked = parse_clauses(type_, params, reader=replace(reader(context), codes=codes))
    for other in asked.types:
        context.allow("s", other)
    page = await txn.search(Query(type_, asked.clauses, count=2, total="none"))
    if len(page.versions) > 1:
        text = f"Several {type_} match the condition; make it name exactly one, best by its identifier."
        raise PreconditionFailed(Issue(text, code=IssueType.MULTIPLE_MATCHES))
    return page.versions[0] if page.versions else None


def check_tag(if_match: str | None, newest: Version | None) -> None:
    """PreconditionFailed unless ``if_match`` (``W/"3"``) names the version there is; None asks nothing."""
    if if_match is None:
        return
    text = if_match.strip()
    if text == "*" and newest is not None and not newest.deleted:
        return
    number = text.removeprefix("W/").strip('"')
    if text != "*" and not number:
        raise InvalidInput('If-Match must be an entity tag such as W/"3".')
    if newest is None or newest.deleted or number != str(newest.version):
        raise PreconditionFailed(
            "The resource has changed since the version named in If-Match; read it again."
        )
