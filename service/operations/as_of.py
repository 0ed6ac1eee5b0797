"""The ``date`` parameter of the goal attainment operations: the day as of which everything is computed."""

from collections.abc import Sequence
from datetime import date, datetime

from service.errors import InvalidInput, Issue, IssueType, Place
from service.interactions.context import Context
from service.operations.arguments import Arguments, arguments

__all__ = ["as_of_date", "day_asked"]


def as_of_date(query: Sequence[tuple[str, str]], body: bytes, *, context: Context) -> date:
    """The date asked for, in the address or in a Parameters body; default today in the site's time zone."""
    return day_asked(arguments("goal-attainment", query, body, max_depth=context.max_depth), context=context)


def day_asked(given: Arguments, *, context: Context) -> date:
    """The parameter ``date`` among arguments; default today in the site's time zone."""
    found = given.get("date")
    return _day(found[0]) if found else context.clock().astimezone(context.zone).date()


def _day(text: str) -> date:
    try:
        return datetime.strptime(text, "%Y-%m-%d").date()  # noqa: DTZ007 - a calendar day has no zone
    except ValueError:
        message = f"'{text[:40]}' is not a date; write year, month and day, such as 2026-02-04."
        raise InvalidInput(Issue(message, code=IssueType.VALUE, place=Place("http.date"))) from None
