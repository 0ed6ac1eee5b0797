"""The official examples of every stored type go in and come out with the same text of numbers and dates.

SQLite takes all of them. What PostgreSQL does otherwise does not depend on a type's examples: of the types
with hundreds it takes every fourth.
"""

import asyncio

import pytest
from r4_examples import REFUSED, example_files

from service.errors import InvalidInput
from service.fhir.json import parse, sorted_text
from service.fhir.search_parameters import stored_types
from service.interactions import read as reads
from service.interactions import write
from service.interactions.apply import without_version
from service.store.sqlite import SqliteStore

SOURCE = "hl7.fhir.r4.examples 4.0.1"
AT_ONCE = 16
"""Examples under way at a time: what waits for a store to keep one leaves the processor to another."""
MANY, EVERY = 100, 4


@pytest.mark.conformance("A19")
@pytest.mark.published(SOURCE)
@pytest.mark.parametrize("type_", [one for one in stored_types() if one != "Subscription"])
def test_examples_come_back_as_they_were_sent(client, type_):
    files = [file for file in example_files(type_) if file.name not in REFUSED]
    assert files, f"no example of {type_}"
    if len(files) > MANY and not isinstance(client.store, SqliteStore):
        files = files[::EVERY]
    asyncio.run(_all_come_back(client, files))


async def _all_come_back(client, files):
    for first in range(0, len(files), AT_ONCE):
        await asyncio.gather(*(_comes_back(client, file) for file in files[first : first + AT_ONCE]))


async def _comes_back(client, file):
    store, context, sent = client.store, client.context, file.read_bytes()
    tree = parse(sent)
    type_, id_ = tree["resourceType"], tree["id"]
    created = await write.create(store, type_, sent, context=context)
    updated = await write.update(store, type_, id_, sent, context=context)
    assert (created.outcome, updated.outcome) == ("created", "created"), file.name
    expected = sorted_text(without_version(tree))
    for applied in (created, updated):
        got = (await reads.read(store, type_, applied.version.id, context=context)).content
        assert sorted_text(without_version(parse(got))) == expected, file.name
    again = await write.update(store, type_, id_, sent, context=context)
    assert again.outcome == "unchanged", file.name


@pytest.mark.conformance("H9")
@pytest.mark.published(SOURCE)
def test_subscriptions_to_searches_are_refused(client):
    for file in example_files("Subscription"):
        with pytest.raises(InvalidInput) as refused:
            asyncio.run(write.create(client.store, "Subscription", file.read_bytes(), context=client.context))
        assert "Subscription.criteria" in {one.place.expression for one in refused.value.issues}


@pytest.mark.published(SOURCE)
@pytest.mark.parametrize("name", [name for name in REFUSED if name.partition("-")[0] in stored_types()])
def test_examples_in_the_table_are_still_refused(client, name):
    (file,) = (file for file in example_files(name.partition("-")[0]) if file.name == name)
    with pytest.raises(InvalidInput):
        asyncio.run(
            write.create(client.store, name.partition("-")[0], file.read_bytes(), context=client.context)
        )
