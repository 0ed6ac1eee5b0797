"""Looks at what is at a FHIR endpoint: many resources by one batch where it takes those, else one by one."""

from collections.abc import Sequence
from typing import Any

from service.errors import DeliveryFailed
from service.fhir import json
from service.fhir.json import Tree
from service.jobs.delivery_answers import Unmet, asked, tree_of
from service.jobs.delivery_peer import Peer
from service.jobs.http_client import Client, Response

__all__ = ["Looker"]

_JSON = {"Content-Type": "application/fhir+json"}
_GONE = (404, 410)
_AT_ONCE = 100


class Looker:
    """Looks by relative addresses: ``Type/id`` or a search."""

    def __init__(self, client: Client, peer: Peer) -> None:
        """``client`` is connected to the FHIR base."""
        self._client = client
        self._peer = peer
        self.base = str(client.base_url).rstrip("/")

    async def look(self, addresses: Sequence[str]) -> list[list[Tree]]:
        """Answer what is at each address: one resource, none, or what a search finds."""
        if not self._peer.batch or len(addresses) == 1:
            return [await self._one(one) for one in addresses]
        found: list[list[Tree]] = []
        for at in range(0, len(addresses), _AT_ONCE):
            found += await self._batch(addresses[at : at + _AT_ONCE])
        return found

    async def every(self, search: str) -> list[Tree]:
        """Answer all that a search finds, page by page."""
        found: list[Tree] = []
        address = f"/{search}"
        while address:
            page = await self._page(address)
            found += _resources(page)
            links = [one.get("url", "") for one in page.get("link", ()) if one.get("relation") == "next"]
            # A page that leads elsewhere is no page of this endpoint.
            address = links[0].removeprefix(self.base) if links and links[0].startswith(self.base) else ""
        return found

    async def _page(self, address: str) -> Tree:
        try:
            return tree_of(await asked(lambda: self._client.get(address)), "Bundle")
        except Unmet:
            raise _not_told() from None

    async def _batch(self, addresses: Sequence[str]) -> list[list[Tree]]:
        entries = [{"request": {"method": "GET", "url": one}} for one in addresses]
        bundle = json.dump({"resourceType": "Bundle", "type": "batch", "entry": entries})
        try:
            answer = await asked(lambda: self._client.post(self.base, content=bundle, headers=_JSON))
        except Unmet:
            raise _not_told() from None
        told = tree_of(answer, "Bundle").get("entry")
        if not isinstance(told, list) or len(told) != len(addresses):
            raise _not_told()
        return [self._told(one) for one in told]

    def _told(self, entry: Any) -> list[Tree]:
        status = str(entry.get("response", {}).get("status", ""))[:3] if isinstance(entry, dict) else ""
        if status in ("404", "410"):
            return []
        if status != "200" or not isinstance(entry.get("resource"), dict):
            raise _not_told()
        return _resources(entry["resource"])

    async def _one(self, address: str) -> list[Tree]:
        async def read() -> Response:
            answer = await self._client.get(f"/{address}")
            if answer.status_code in _GONE:
                answer.status_code = 204
            return answer

        try:
            answer = await asked(read)
        except Unmet:
            raise _not_told() from None
        if answer.status_code == 204:
            return []
        return _resources(tree_of(answer, "Bundle" if "?" in address else address.partition("/")[0]))


def _resources(tree: Tree) -> list[Tree]:
    """The resource itself, or the matches of a search."""
    if tree["resourceType"] != "Bundle":
        return [tree]
    entries = [one for one in tree.get("entry", ()) if one.get("search", {}).get("mode", "match") == "match"]
    return [one["resource"] for one in entries if isinstance(one.get("resource"), dict)]


def _not_told() -> DeliveryFailed:
    return DeliveryFailed("The receiving end did not tell what is there.", alone=True)
