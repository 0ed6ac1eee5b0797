"""Whether a Subscription can be taken as somebody writes it (Subscriptions R5 Backport 1.1.0)."""

from collections.abc import Iterator
from dataclasses import replace

from service.errors import Forbidden, Issue, IssueType, Place
from service.fhir.datetimes import interval, milliseconds
from service.fhir.json import Tree
from service.fhir.search_reading import Reader
from service.fhir.subscription import Subscription, read_subscription
from service.interactions.context import Context
from service.records.attainment_file import READS

__all__ = ["subscription_issues"]

_WRITTEN = frozenset({"requested", "off"})


def subscription_issues(tree: Tree, context: Context, *, at: str = "") -> list[Issue]:
    """Answer every problem; ``at`` is the expression of the resource where it lies in another."""
    now = milliseconds(context.clock())
    found, issues = read_subscription(tree, Reader(context.zone, now, context.base))
    issues += _of_writing(tree, context, now)
    issues += _of_rights(found, context) if found else ()
    return [_placed(one, at) for one in issues] if at else issues


def _of_writing(tree: Tree, context: Context, now: int) -> Iterator[Issue]:
    if tree.get("status") not in _WRITTEN:
        yield _issue(
            "status",
            "Write the status 'requested', or 'off' to end it; the service makes it active when its endpoint "
            "has taken a handshake.",
        )
    if context.subscribing is None:
        text = "A Subscription is written over HTTP, as its notifications go as far as the token of who asks."
        yield _issue("status", text, IssueType.NOT_SUPPORTED)
    elif isinstance(endpoint := _channel(tree).get("endpoint"), str) and (
        why := context.subscribing.refusal(endpoint)
    ):
        yield _issue("channel.endpoint", why, IssueType.FORBIDDEN)
    try:
        over = "end" in tree and interval(str(tree["end"]), context.zone)[1] <= now
    except ValueError:  # the base says so
        over = False
    if over:
        yield _issue("end", "The end lies in the past.")


def _of_rights(found: Subscription, context: Context) -> Iterator[Issue]:
    for type_ in READS if found.topic.computed else (found.topic.type,):
        try:
            context.allow("r", type_)
        except Forbidden as error:
            text = f"{error} Events of this topic rest on that."
            yield _issue("criteria", text, IssueType.FORBIDDEN)


def _issue(where: str, text: str, code: IssueType = IssueType.BUSINESS_RULE) -> Issue:
    return Issue(text, code=code, place=Place(f"Subscription.{where}"))


def _placed(issue: Issue, at: str) -> Issue:
    below = issue.place.expression.removeprefix("Subscription")
    return replace(issue, place=replace(issue.place, expression=f"{at}{below}"))


def _channel(tree: Tree) -> Tree:
    channel = tree.get("channel")
    return channel if isinstance(channel, dict) else {}
