"""A topic-based Subscription in R4, read and judged (Subscriptions R5 Backport 1.1.0, backport-subscription).

Every problem is told at once, each with its FHIRPath. What R4 itself says of the resource is not repeated.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Literal
from urllib.parse import urlsplit

from service.errors import Issue, IssueType, Place
from service.fhir.json import Tree
from service.fhir.search_query import Clause
from service.fhir.search_reading import Reader
from service.fhir.topic_filters import filter_clauses
from service.fhir.topics import Topic, topic_of, topics

__all__ = ["CONTENTS", "GUIDE", "MEDIA_TYPES", "Content", "Subscription", "read_subscription"]

GUIDE = "http://hl7.org/fhir/uv/subscriptions-backport"
_EXTENSIONS = f"{GUIDE}/StructureDefinition/backport-"
Content = Literal["empty", "id-only", "full-resource"]
CONTENTS: tuple[Content, ...] = ("empty", "id-only", "full-resource")
MEDIA_TYPES = ("application/fhir+json", "application/fhir+xml")
_NUMBERS = {
    "heartbeat-period": ("valueUnsignedInt", range(60, 7 * 86_400 + 1), 0),
    "timeout": ("valueUnsignedInt", range(1, 61), 20),
    "max-count": ("valuePositiveInt", range(1, 101), 20),
}
"""By the guide's extension: where its number stands, what may be asked for, what is usual.

Seconds between heartbeats, seconds to wait for an answer, events in one notification.
"""
_HEADER = re.compile(r"([!#$%&'*+.^_`|~0-9A-Za-z-]+):[ \t]*([\x21-\x7e](?:[ \t\x21-\x7e]*[\x21-\x7e])?)")
_OURS = frozenset(
    (
        *("connection", "content-encoding", "content-length", "content-type", "date", "expect", "host"),
        *("keep-alive", "proxy-authorization", "te", "trailer", "transfer-encoding", "upgrade", "via"),
    )
)
"""Header fields that say how a message is sent, which is not for a subscriber to say."""


@dataclass(frozen=True, slots=True)
class Subscription:
    """What is subscribed to, and how it is told.

    ``status`` is as stored. All of ``filters`` must hold of an event's focus. ``heartbeat_s`` is 0 where none
    is asked for, ``most`` the number of events in one notification, ``end`` the text of an instant, empty for
    none.
    """

    topic: Topic
    status: str
    endpoint: str
    media_type: str
    content: Content
    filters: tuple[Clause, ...] = ()
    headers: tuple[tuple[str, str], ...] = ()
    heartbeat_s: int = 0
    timeout_s: int = 20
    most: int = 20
    end: str = ""


@dataclass(slots=True)
class _Report:
    """The problems found so far."""

    issues: list[Issue] = field(default_factory=list)

    def add(self, where: str, text: str, code: IssueType = IssueType.NOT_SUPPORTED) -> None:
        self.issues.append(Issue(text, code=code, place=Place(f"Subscription.{where}")))


def read_subscription(tree: Tree, reader: Reader) -> tuple[Subscription | None, list[Issue]]:
    """Answer what the resource asks for and what is wrong with it; nothing is asked for while there is that.

    ``reader`` is how filters are understood.
    """
    report = _Report()
    topic = _topic(tree, report)
    channel = _object(tree.get("channel"))
    endpoint = _endpoint(channel, report)
    content = _content(channel, report)
    headers = tuple(_headers(channel, report))
    filters = tuple(_filters(tree, topic, reader, report))
    heartbeat_s, timeout_s, most = (_number(channel, name, report) for name in _NUMBERS)
    media_type, status = _media_type(channel, report), str(tree.get("status", ""))
    if report.issues or topic is None:
        return None, report.issues
    found = Subscription(
        topic,
        status,
        endpoint,
        media_type,
        content,
        filters,
        headers,
        heartbeat_s,
        timeout_s,
        most,
        str(tree.get("end", "")),
    )
    return found, []


def _topic(tree: Tree, report: _Report) -> Topic | None:
    criteria = str(tree.get("criteria", ""))
    topic = topic_of(criteria)
    if topic is None and criteria:
        known = ", ".join(one.url for one in topics())
        report.add("criteria", f"The criteria must be the canonical of a topic that there is here: {known}.")
    return topic


def _filters(tree: Tree, topic: Topic | None, reader: Reader, report: _Report) -> Iterator[Clause]:
    for value in _values(tree, "_criteria", "filter-criteria", "valueString"):
        try:
            if topic is not None:
                yield from filter_clauses(topic, str(value), reader)
        except ValueError as error:
            report.add("criteria.extension", f"The filter can't be used: {error}.")


def _endpoint(channel: Tree, report: _Report) -> str:
    if (type_ := channel.get("type")) and type_ != "rest-hook":
        report.add("channel.type", f"The channel must be rest-hook; '{str(type_)[:40]}' is not offered.")
    if _values(channel, "_type", "channel-type", "valueCoding"):
        report.add("channel.type.extension", "No channel is offered but rest-hook.")
    endpoint = channel.get("endpoint")
    if not isinstance(endpoint, str) or not endpoint:
        text = "A rest-hook needs an endpoint, the https address that notifications are sent to."
        report.add("channel.endpoint", text, IssueType.REQUIRED)
    elif why := _no_address(endpoint):
        report.add("channel.endpoint", why, IssueType.VALUE)
    return str(endpoint)


def _no_address(endpoint: str) -> str:
    try:
        parts = urlsplit(endpoint)
        found = (
            parts.scheme in {"http", "https"} and parts.hostname and (parts.port is None or parts.port > 0)
        )
    except ValueError:
        found = False
    if not found or not endpoint.isascii() or not endpoint.isprintable() or " " in endpoint:
        return "The endpoint must be an address such as https://subscriber.example.org/notifications."
    if "@" in parts.netloc or parts.fragment:
        return "The endpoint must hold neither a user's name nor a fragment; a secret belongs into a header."
    return ""


def _media_type(channel: Tree, report: _Report) -> str:
    media_type = channel.get("payload")
    if media_type is None:
        text = "Say in which format notifications are sent: " + " or ".join(MEDIA_TYPES) + "."
        report.add("channel.payload", text, IssueType.REQUIRED)
    elif media_type not in MEDIA_TYPES:
        report.add("channel.payload", f"Notifications are sent as {' or '.join(MEDIA_TYPES)} alone.")
    return str(media_type)


def _content(channel: Tree, report: _Report) -> Content:
    said = _values(channel, "_payload", "payload-content", "valueCode")
    if len(said) != 1:
        text = (
            f"Say once how much a notification holds ({', '.join(CONTENTS)}), by the extension "
            f"{_EXTENSIONS}payload-content."
        )
        report.add("channel.payload.extension", text, IssueType.REQUIRED)
        return "empty"
    found = next((one for one in CONTENTS if one == said[0]), None)
    if found is None:
        report.add("channel.payload.extension", f"The content must be one of {', '.join(CONTENTS)}.")
    return found or "empty"


def _number(channel: Tree, name: str, report: _Report) -> int:
    member, able, usual = _NUMBERS[name]
    said = _values({"_channel": channel}, "_channel", name, member)
    if not said:
        return usual
    if len(said) > 1 or not isinstance(said[0], int) or said[0] not in able:
        report.add(
            "channel.extension", f"backport-{name} must be once a number from {able[0]} to {able[-1]}."
        )
        return usual
    return said[0]


def _headers(channel: Tree, report: _Report) -> Iterator[tuple[str, str]]:
    headers = channel.get("header", ())
    for place, text in enumerate(headers if isinstance(headers, list) else ()):
        match = _HEADER.fullmatch(text) if isinstance(text, str) else None
        if match is None:
            report.add(
                f"channel.header[{place}]",
                "A header is one line of plain characters, such as 'Authorization: Bearer secret'.",
                IssueType.VALUE,
            )
        elif match[1].lower() in _OURS:
            report.add(f"channel.header[{place}]", f"{match[1]} is set by this service; leave it out.")
        else:
            yield match[1], match[2]


def _values(node: Tree, member: str, name: str, value: str) -> list[Any]:
    """The values of the guide's extension of that name; None for one of another kind."""
    extensions = _object(node.get(member)).get("extension", ())
    return [
        one.get(value)
        for one in (extensions if isinstance(extensions, list) else ())
        if isinstance(one, dict) and one.get("url") == f"{_EXTENSIONS}{name}"
    ]


def _object(value: Any) -> Tree:
    return value if isinstance(value, dict) else {}
