"""Bundles written around stored text, so that the resources in them stay exactly as stored."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.fhir.json import dump

__all__ = ["Item", "Link", "bundle"]

Link = tuple[str, str]
"""Relation and URL."""


@dataclass(frozen=True, slots=True)
class Item:
    """One entry: ``members`` (search, request, response) as a tree, ``resource`` as stored text."""

    full_url: str = ""
    resource: bytes = b""
    members: Mapping[str, Any] | None = None

    def encoded(self) -> bytes:
        """The entry as JSON text."""
        parts = [dump({"fullUrl": self.full_url})[1:-1]] if self.full_url else []
        if self.resource:
            parts.append(b'"resource":' + self.resource)
        if self.members:
            parts.append(dump(self.members)[1:-1])
        return b"{" + b",".join(parts) + b"}"


def bundle(  # noqa: PLR0913 - members of a Bundle
    type_: str,
    items: Iterable[Item],
    *,
    total: int | None = None,
    links: Sequence[Link] = (),
    last_updated: str = "",
    timestamp: str = "",
) -> bytes:
    """Answer a Bundle of ``type_`` (searchset, history, transaction-response …) as JSON text."""
    head: dict[str, Any] = {"resourceType": "Bundle"}
    if last_updated:
        head["meta"] = {"lastUpdated": last_updated}
    head["type"] = type_
    if timestamp:
        head["timestamp"] = timestamp
    if total is not None:
        head["total"] = total
    if links:
        head["link"] = [{"relation": relation, "url": url} for relation, url in links]
    entries = b",".join(item.encoded() for item in items)
    return dump(head)[:-1] + (b',"entry":[' + entries + b"]" if entries else b"") + b"}"
