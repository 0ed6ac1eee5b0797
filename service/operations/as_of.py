"""The ``date`` parameter of the goal attainment operations: the day as of which everything is computed."""

from collections.abc import Sequence
from datetime import date, datetime

from service.errors import InvalidInput, Issue, IssueType, Place
from service.fhir.json import parse
from service.interactions.context import Context

__all__ = ["as_of_date"]


def as_of_date(query: Sequence[tuple[str, str]], body: bytes, *, context: Context) -> date:
    """The date asked for, in the address or in a Parameters body; default today in the site's time zone."""
    given = [*query, *_of_body(body, context)]
    if unknown := [name for name, _ in given if name != "date"]:
        raise InvalidInput(
            Issue(
                f"'{name}' is not a parameter of this operation; there is: date.", place=Place(f"http.{name}")
            )
            for name in unknown
        )
    texts = {text for _, text in given}
    if len(texts) > 1:
        raise InvalidInput("Give one date.", expression="http.date")
    if not texts:
        return context.clock().astimezone(context.zone).date()
    return _day(texts.pop())


def _of_body(body: bytes, context: Context) -> list[tuple[str, str]]:
    """Names and dates of a Parameters resource; an empty body asks for nothing."""
    if not body.strip():
        return []
    tree = parse(body, max_depth=context.max_depth)
    if tree.get("resourceType") != "Parameters":
        raise InvalidInput("The body must be a Parameters resource.", expression="resourceType")
    found = tree.get("parameter", [])
    if not isinstance(found, list) or not all(isinstance(one, dict) for one in found):
        raise InvalidInput(
            "Parameters.parameter must be a list of objects.", expression="Parameters.parameter"
        )
    return [(str(one.get("name", "")), str(one.get("valueDate", ""))) for one in found]


def _day(text: str) -> date:
    try:
        return datetime.strptime(text, "%Y-%m-%d").date()  # noqa: DTZ007 - a calendar day has no zone
    except ValueError:
        message = f"'{text[:40]}' is not a date; write year, month and day, such as 2026-02-04."
        raise InvalidInput(Issue(message, code=IssueType.VALUE, place=Place("http.date"))) from None
