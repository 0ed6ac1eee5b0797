"""Writes items at a FHIR endpoint: as one transaction where it takes those, else one by one."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple, Protocol

from service.errors import DeliveryFailed, DeliveryRefused
from service.fhir import json
from service.jobs.delivery_answers import Unmet, asked, entity_tag, tree_of
from service.jobs.delivery_item import Item, request_of, wanted
from service.jobs.delivery_look import Looker
from service.jobs.delivery_peer import Peer
from service.jobs.http_client import Client, Response

__all__ = ["Answer", "Writer", "writer_for"]

_JSON = {"Content-Type": "application/fhir+json", "Prefer": "return=minimal"}


class Answer(NamedTuple):
    """What became of one item: its id there and entity tag, as far as told.

    ``existed``: something with its business identifier was there, or it is not told under which id it is.
    ``unmet``: nothing was written, as a condition did not hold.
    """

    id: str = ""
    etag: str = ""
    existed: bool = False
    unmet: bool = False


class Writer(Protocol):
    """Writes some items; answers of each, in their order."""

    async def write(self, items: Sequence[Item], addresses: Mapping[str, str]) -> list[Answer]:
        """Write them. Unmet if a condition did not hold and it is not told which."""
        ...


def writer_for(client: Client, peer: Peer) -> Writer:
    """Answer how to write at an endpoint."""
    return _Transactions(client) if peer.transaction else _Singles(client, peer)


class _Transactions:
    """All items in one transaction Bundle."""

    def __init__(self, client: Client) -> None:
        self._client = client

    async def write(self, items: Sequence[Item], addresses: Mapping[str, str]) -> list[Answer]:
        inside = {item.change.name: item.address for item in items}
        entries = [_entry(item, {**addresses, **inside}) for item in items]
        bundle = json.dump({"resourceType": "Bundle", "type": "transaction", "entry": entries})
        base = str(self._client.base_url).rstrip("/")
        answer = await asked(lambda: self._client.post(base, content=bundle, headers=_JSON))
        told = tree_of(answer, "Bundle").get("entry")
        if not isinstance(told, list) or len(told) != len(items):
            raise DeliveryFailed("The receiving end did not say what became of each entry.", alone=True)
        return [_told(item, one) for item, one in zip(items, told, strict=True)]


def _entry(item: Item, addresses: Mapping[str, str]) -> dict[str, Any]:
    if item.change.version.deleted:
        return {"request": request_of(item)}
    full_url = {"fullUrl": item.address} if item.is_new else {}
    return {**full_url, "resource": wanted(item, addresses), "request": request_of(item)}


def _told(item: Item, entry: Any) -> Answer:
    response = entry.get("response", {}) if isinstance(entry, dict) else {}
    status = str(response.get("status", ""))[:3]
    if status[:1] != "2" and not (item.change.version.deleted and status in ("404", "410")):
        raise DeliveryRefused(f"The receiving end answered {status or 'nothing'} for a {item.type}.")
    id_ = _id_in(str(response.get("location", "")), item.type) or item.there.id
    tag = entity_tag(str(response.get("etag", "")))
    return Answer(id_, tag, existed=not id_ or (item.is_new and status == "200"))


def _id_in(location: str, type_: str) -> str:
    """The id in ``[base]/Type/id/_history/version``; empty if there is none."""
    steps = location.split("/_history/", maxsplit=1)[0].split("/")
    return steps[-1] if len(steps) > 1 and steps[-2] == type_ else ""


class _Singles:
    """Each item in a request of its own, in their order."""

    def __init__(self, client: Client, peer: Peer) -> None:
        self._client = client
        self._peer = peer
        self._looker = Looker(client, peer)

    async def write(self, items: Sequence[Item], addresses: Mapping[str, str]) -> list[Answer]:
        there = dict(addresses)
        answers = []
        for item in items:
            answer = await self._written(item, there)
            answers.append(answer)
            if answer.id:
                there[item.change.name] = f"{item.type}/{answer.id}"
        return answers

    async def _written(self, item: Item, addresses: Mapping[str, str]) -> Answer:
        try:
            if not item.is_new:
                return await self._sent(item, addresses, {"If-Match": item.there.etag})
            if item.type in self._peer.creates_once:
                return await self._sent(item, addresses, {"If-None-Exist": item.criterion})
            if await self._looker.look([f"{item.type}?{item.criterion}"]) != [[]]:
                return Answer(existed=True)
            return await self._sent(item, addresses, {})
        except Unmet:
            return Answer(unmet=True)

    async def _sent(self, item: Item, addresses: Mapping[str, str], conditions: dict[str, str]) -> Answer:
        request = request_of(item)
        headers = {**_JSON, **{name: value for name, value in conditions.items() if value}}
        content = b"" if item.change.version.deleted else json.dump(wanted(item, addresses))

        async def sent() -> Response:
            answer = await self._client.request(
                request["method"], f"/{request['url']}", content=content, headers=headers
            )
            if item.change.version.deleted and answer.status_code in (404, 410):
                answer.status_code = 204
            return answer

        answer = await asked(sent)
        id_ = _id_in(answer.headers.get("Location", ""), item.type) or item.there.id
        tag = entity_tag(answer.headers.get("ETag", ""))
        existed = item.is_new and answer.status_code == 200
        return Answer(id_, tag, existed=existed or not id_)
