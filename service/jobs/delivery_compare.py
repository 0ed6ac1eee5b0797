"""Looks at what is at a FHIR endpoint where something there was not as expected, and decides what to do.

Nothing that somebody else has written there is overwritten: an item is sent again only if what is there is
what we have sent before.
"""

from collections.abc import Iterator
from dataclasses import replace
from enum import Enum, auto

from service.fhir import json
from service.fhir.json import Tree
from service.fhir.references import local_target, reference_texts, rewrite
from service.jobs.delivery_answers import Unmet, asked, tree_of
from service.jobs.delivery_item import LINKED, Item, There, there_of, wanted
from service.jobs.delivery_writer import Answer, search
from service.jobs.http_client import Client, Response
from service.store import feeds
from service.store.entries import Opened
from service.store.erasing import Name

__all__ = ["Comparison", "Verdict", "same"]

_VERSIONS = 20
"""So many older versions are compared at most."""
_OF_THE_SERVER = ("id", "meta", "text")
"""What an endpoint may write itself."""


class Verdict(Enum):
    """What becomes of an item."""

    THERE = auto()
    AGAIN = auto()
    LINKED = auto()
    CHANGED = auto()
    DELETED = auto()
    SEVERAL = auto()

    def said(self, type_: str) -> str:
        """Why an item can't be sent, as a sentence."""
        return {
            Verdict.DELETED: f"A {type_} that was sent has been deleted there; it is not made anew.",
            Verdict.SEVERAL: f"Several {type_} there have the identifier of one here; leave one of them.",
        }.get(self, f"A {type_} there says something else than was sent; it is not overwritten.")


class Comparison:
    """Compares the items of one destination; ``addresses`` are those of what is there, by ``Type/id``."""

    def __init__(self, destination: str, client: Client, store: Opened, addresses: dict[str, str]) -> None:
        """``store`` holds older versions, and what the destination has."""
        self._destination = destination
        self._client = client
        self._store = store
        self._addresses = addresses

    async def judge(self, item: Item, answer: Answer) -> tuple[Verdict, Item]:
        """Answer what to do about an item that was not written, and the item as it is now known to be."""
        id_ = answer.id or item.there.id
        if not id_:
            try:
                found = await search(self._client, item)
            except Unmet:
                return Verdict.SEVERAL, item
            if not found:
                return Verdict.AGAIN, item
            id_ = found[0][0]
        remote, etag = await self._remote(item.type, id_)
        known = replace(item, there=There(id_, etag))
        if remote is None:
            return self._missing(item), item
        if etag and etag == item.there.etag:
            return Verdict.AGAIN, item
        return await self._judged(item, known, remote)

    def _missing(self, item: Item) -> Verdict:
        if item.change.version.deleted:
            return Verdict.THERE
        return Verdict.DELETED if item.change.sent else Verdict.AGAIN

    async def _judged(self, item: Item, known: Item, remote: Tree) -> tuple[Verdict, Item]:
        self._addresses.setdefault(item.change.name, known.address)
        if not item.change.version.deleted and await self._is(known, remote):
            return Verdict.THERE, known
        for number in _earlier(item):
            version = await self._store.vread(item.type, item.change.version.id, number)
            if version is None or version.deleted:
                continue
            if await self._is(replace(known, tree=json.reread(version.content)), remote):
                return Verdict.AGAIN, known
        if item.is_new and item.type in LINKED:
            return Verdict.LINKED, replace(known, there=There(known.there.id, linked=True))
        return Verdict.CHANGED, item

    async def _is(self, item: Item, remote: Tree) -> bool:
        """Whether what is there is what an item says."""
        named = {target for text in reference_texts(item.tree) if (target := local_target(text))}
        names = [Name(*one.split("/")) for one in named - self._addresses.keys()]
        for name, one in (await feeds.delivered(self._store, self._destination, names)).items():
            if id_ := there_of(one.there).id:
                self._addresses[str(name)] = f"{name.type}/{id_}"
        return same(wanted(item, self._addresses), remote, str(self._client.base_url))

    async def _remote(self, type_: str, id_: str) -> tuple[Tree | None, str]:
        async def read() -> Response:
            answer = await self._client.get(f"/{type_}/{id_}")
            if answer.status_code in (404, 410):
                answer.status_code = 204
            return answer

        answer = await asked(read)
        if answer.status_code == 204:
            return None, ""
        tree = tree_of(answer, type_)
        number = tree.get("meta", {}).get("versionId", "")
        return tree, f'W/"{number}"' if number else ""


def same(one: Tree, other: Tree, base: str) -> bool:
    """Whether two resources say the same, apart from what an endpoint may write itself."""
    return _said(one, base) == _said(other, base)


def _said(tree: Tree, base: str) -> bytes:
    prefix = f"{base.rstrip('/')}/"
    relative = rewrite(tree, lambda address: address.removeprefix(prefix))
    return json.sorted_text({k: v for k, v in relative.items() if k not in _OF_THE_SERVER})


def _earlier(item: Item) -> Iterator[int]:
    """The versions that may have been sent, newest first; for a deletion also the last before it."""
    newest = item.change.version.version - 1
    oldest = max(item.change.sent, 1, newest - _VERSIONS)
    return iter(range(newest, oldest - 1, -1))
