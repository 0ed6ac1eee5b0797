"""The page of one stored resource: as written, and only for those who may read it."""

import json
from datetime import UTC, datetime

import pytest
from page_reader import Page

from service.errors import Forbidden, Gone, NotFound
from service.fhir.search_values import SearchKeys
from service.page.resources import resource_view
from service.security.principal import Principal
from service.security.scopes import Scopes
from service.store.sqlite import SqliteStore

pytestmark = pytest.mark.anyio
WEIGHT = b'{"resourceType":"Observation","id":"w1","valueQuantity":{"value":72.50}}'


def caller(scope):
    return Principal("someone", "issuer", Scopes.parse(scope), "", 0)


@pytest.fixture
async def store(tmp_path):
    opened = SqliteStore(tmp_path / "store.sqlite", clock=lambda: datetime(2026, 9, 11, tzinfo=UTC))

    async def work(transaction):
        await transaction.put("Observation", "w1", WEIGHT, SearchKeys())
        await transaction.put(
            "Practitioner", "d1", b'{"resourceType":"Practitioner","id":"d1"}', SearchKeys()
        )

    await opened.write("test", work)
    yield opened
    await opened.close()


async def test_it_is_shown_as_written(store):
    view = await resource_view(store, "Observation", "w1", caller("user/*.rs"))
    assert (view.name, view.version) == ("Observation/w1", 1)
    assert '"value": 72.50' in view.text
    assert json.loads(view.text)["id"] == "w1"


async def test_it_needs_the_right_to_read_that_type(store):
    with pytest.raises(Forbidden):
        await resource_view(store, "Observation", "w1", caller("user/Goal.rs"))


async def test_other_types_and_unknown_ids_have_no_page(store):
    for type_, id_ in (("Practitioner", "d1"), ("Observation", "nobody")):
        with pytest.raises(NotFound):
            await resource_view(store, type_, id_, caller("user/*.rs"))


async def test_a_deleted_one_is_gone(store):
    async def work(transaction):
        await transaction.delete("Observation", "w1")

    await store.write("test", work)
    with pytest.raises(Gone):
        await resource_view(store, "Observation", "w1", caller("user/*.rs"))


async def test_the_page_shows_it_escaped(get, views):
    views.text = "<script>"
    page = Page((await get("/app/resources/Observation/w1")).text)
    assert "<script>" in page.text
    assert page.attributes("script") == []
