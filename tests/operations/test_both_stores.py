"""The demo says the same on every engine, and its visits arrive once however many processes take them in."""

import asyncio
from collections import Counter
from dataclasses import replace
from datetime import date
from itertools import count

from databases import AnyLoop, stores
from demo_store import CONTEXT, NOW, Demo, records_in_order, taken_in

from service.operations.goal_attainment import goal_attainment
from service.operations.record_goal_attainment import record_goal_attainment
from service.terminology.codes import codes

PEOPLE = ("demo-01", "demo-02", "demo-03", "demo-04", "demo-05")
DAY = date(2026, 12, 1)


def loaded(folder, store=None):
    """The demo under ids that are the same on every engine."""
    numbers = count(1)
    demo = Demo(folder, store=store, context=replace(CONTEXT, new_id=lambda: f"id-{next(numbers)}"))
    demo.load()
    return demo


def told(demo):
    """What is answered and recorded about each person, and then everything stored, as text."""
    answers = [
        demo.run(ask(demo.store, demo.patient(person), DAY, context=demo.context, codes=codes("all")))
        for person in PEOPLE
        for ask in (goal_attainment, record_goal_attainment)
    ]
    return answers, demo.run(stored(demo.store))


async def stored(store):
    return [(one.type, one.id, one.version, one.content) async for one in store.changes()]


def test_the_demo_says_the_same_on_both_engines(tmp_path, database_url, tell):
    here, there = loaded(tmp_path), loaded(tmp_path, AnyLoop(database_url, lambda: NOW))
    try:
        (said, resources), (said_there, resources_there) = told(here), told(there)
    finally:
        here.run(here.store.close())
        there.run(there.store.close())
    assert said == said_there
    assert resources == resources_there
    tell(f"{len(resources)} resources of the demo and {len(said)} answers equal on SQLite and PostgreSQL")


def test_the_same_visits_taken_in_by_two_processes_at_once_arrive_once(tmp_path, database_url):
    records = records_in_order("demo-01", "demo-02")

    async def both():
        async with stores(database_url, 2, lambda: NOW) as opened:
            for path in records:
                receipts = await asyncio.gather(*(taken_in(store, path) for store in opened * 2))
                assert sum(bool(receipt.created) for receipt in receipts) == 1
            return await stored(opened[0])

    once = Demo.of(tmp_path, "demo-01", "demo-02")
    wanted = once.run(stored(once.store))
    once.run(once.store.close())
    assert Counter(type_ for type_, *_ in asyncio.run(both())) == Counter(type_ for type_, *_ in wanted)
