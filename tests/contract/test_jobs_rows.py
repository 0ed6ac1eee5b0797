"""What jobs keep about themselves, as every store must keep it."""

import asyncio

NOTED = (
    "INSERT INTO feed (name, sequence) VALUES (?, ?) "
    "ON CONFLICT (name) DO UPDATE SET sequence = excluded.sequence RETURNING sequence"
)
KEPT = ("SELECT name, sequence FROM feed ORDER BY name", [])


def rows(found):
    return [tuple(row) for row in found]


def test_what_a_job_writes_is_there_after_a_restart(open_store):
    with open_store() as store:
        assert rows(asyncio.run(store.do((NOTED, ["lab", 7])))) == [(7,)]
        assert rows(asyncio.run(store.do((NOTED, ["lab", 9])))) == [(9,)]
    with open_store() as store:
        assert rows(asyncio.run(store.ask(KEPT))) == [("lab", 9)]


def test_of_all_who_take_a_row_at_once_one_has_it(store):
    taken = ("UPDATE feed SET sequence = ? WHERE name = 'lab' AND sequence = 0 RETURNING sequence", [1])

    async def many():
        await store.do((NOTED, ["lab", 0]))
        return await asyncio.gather(*(store.do(taken) for _ in range(20)))

    assert sorted(len(found) for found in asyncio.run(many())) == [0] * 19 + [1]
