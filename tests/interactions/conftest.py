import asyncio
import json
from datetime import UTC, datetime, timedelta
from itertools import count
from typing import Any

import pytest

from service.fhir.json import parse
from service.interactions import history as histories
from service.interactions import read as reads
from service.interactions import search as searches
from service.interactions import transaction, write
from service.interactions.context import Context, allow_everything

BASE = "https://here.example/fhir"


class Client:
    """The interactions with one store and context, run to their end; Bundles come back as trees."""

    def __init__(self, store, **more) -> None:
        numbers = count(1)
        self.store = store
        clock = more.pop("clock", lambda: datetime(2026, 2, 4, tzinfo=UTC))
        more.setdefault("allow", allow_everything)
        self.context = Context(BASE, new_id=lambda: f"id-{next(numbers)}", clock=clock, **more)

    def create(self, tree, **more):
        return self._run(
            write.create(self.store, tree["resourceType"], text(tree), context=self.context, **more)
        )

    def update(self, tree, id_=None, **more):
        id_ = id_ or tree["id"]
        return self._run(
            write.update(self.store, tree["resourceType"], id_, text(tree), context=self.context, **more)
        )

    def update_matching(self, criteria, tree):
        type_ = tree["resourceType"]
        return self._run(write.update_matching(self.store, type_, criteria, text(tree), context=self.context))

    def delete(self, type_, id_, **more):
        return self._run(write.delete(self.store, type_, id_, context=self.context, **more))

    def delete_matching(self, type_, criteria):
        return self._run(write.delete_matching(self.store, type_, criteria, context=self.context))

    def read(self, type_, id_):
        return self._run(reads.read(self.store, type_, id_, context=self.context))

    def vread(self, type_, id_, version):
        return self._run(reads.vread(self.store, type_, id_, version, context=self.context))

    def history(self, type_="", id_="", *params):
        work = histories.history(self.store, params, type_=type_, id_=id_, context=self.context)
        return parse(self._run(work))

    def search(self, type_, *params):
        return parse(self._run(searches.search(self.store, type_, params, context=self.context)))

    def process(self, tree, **more):
        return parse(self._run(transaction.process(self.store, text(tree), context=self.context, **more)))

    @staticmethod
    def _run(work) -> Any:
        return asyncio.run(work)


def text(tree):
    return tree if isinstance(tree, bytes) else json.dumps(tree).encode()


@pytest.fixture
def store(opening):
    ticks = count()
    store = opening(lambda: datetime(2026, 2, 4, tzinfo=UTC) + timedelta(seconds=next(ticks)))
    yield store
    asyncio.run(store.close())


@pytest.fixture
def client(store):
    return Client(store)


@pytest.fixture
def client_with(store):
    return lambda **more: Client(store, **more)
