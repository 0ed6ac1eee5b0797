"""Looks at what is at a FHIR endpoint where something there was not as expected, and decides what to do.

Nothing that somebody else has written there is overwritten: an item is sent again only if what is there is
what we have sent before.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from enum import Enum, auto

from service.fhir import json
from service.fhir.json import Tree
from service.fhir.references import local_target, reference_texts, rewrite
from service.jobs.delivery_item import LINKED, Item, There, there_of, wanted
from service.jobs.delivery_look import Looker
from service.jobs.delivery_mapping import mapped
from service.jobs.delivery_writer import Answer
from service.jobs.destination import Destination
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
            Verdict.DELETED: f"{type_}: one that was sent has been deleted there; it is not made anew.",
            Verdict.SEVERAL: f"{type_}: several there have the identifier of one here; leave one of them.",
        }.get(self, f"{type_}: one there says something else than was sent; it is not overwritten.")


class Comparison:
    """Compares the items of one destination; ``addresses`` are those of what is there, by ``Type/id``."""

    def __init__(
        self, destination: Destination, looker: Looker, store: Opened, addresses: dict[str, str]
    ) -> None:
        """``store`` holds older versions, and what the destination has."""
        self._destination = destination
        self._looker = looker
        self._store = store
        self._addresses = addresses

    async def judge(self, doubtful: Sequence[tuple[Item, Answer]]) -> list[tuple[Verdict, Item]]:
        """Answer of items that were not written what to do, and what is now known of them."""
        found = await self._looker.look([_where(item, answer) for item, answer in doubtful])
        return [await self._verdict(item, there) for (item, _), there in zip(doubtful, found, strict=True)]

    async def _verdict(self, item: Item, found: Sequence[Tree]) -> tuple[Verdict, Item]:
        if len(found) > 1:
            return Verdict.SEVERAL, item
        if not found:
            return self._missing(item), item
        (remote,) = found
        number = remote.get("meta", {}).get("versionId", "")
        etag = f'W/"{number}"' if number else ""
        if etag and etag == item.there.etag:
            return Verdict.AGAIN, item
        return await self._judged(item, replace(item, there=There(str(remote["id"]), etag)), remote)

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
            if await self._is(
                replace(known, tree=mapped(json.reread(version.content), self._destination.mapping)), remote
            ):
                return Verdict.AGAIN, known
        if item.is_new and item.type in LINKED:
            return Verdict.LINKED, replace(known, there=There(known.there.id, linked=True))
        return Verdict.CHANGED, item

    async def _is(self, item: Item, remote: Tree) -> bool:
        """Whether what is there is what an item says."""
        named = {target for text in reference_texts(item.tree) if (target := local_target(text))}
        names = [Name(*one.split("/")) for one in named - self._addresses.keys()]
        for name, one in (await feeds.delivered(self._store, self._destination.name, names)).items():
            if id_ := there_of(one.there).id:
                self._addresses[str(name)] = f"{name.type}/{id_}"
        return same(wanted(item, self._addresses), remote, self._looker.base)


def _where(item: Item, answer: Answer) -> str:
    """Where an item is looked for: under its id there, else by its business identifier."""
    id_ = answer.id or item.there.id
    return f"{item.type}/{id_}" if id_ else f"{item.type}?{item.criterion}"


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
