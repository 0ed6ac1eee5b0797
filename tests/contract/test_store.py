"""What every store must do; see conftest.py for the engines."""

import asyncio
from datetime import timedelta

import pytest

from service.errors import Conflict, NotFound, StoreUnavailable
from service.fhir.json import parse
from service.fhir.search_query import Clause, DateValue, ReferenceValue, Sort, StringValue, TokenValue
from service.fhir.search_values import DateKey, ReferenceKey, SearchKeys, StringKey, TokenKey
from service.store.contract import History, Identified, Page, Query, VisitKey

EXACT = (
    b'{ "resourceType":"Observation", "x":72.50, "y":1.0E2, "t":"2026-02-04T10:00:00+01:00","e":"\\u00e9" }'
)
CODE, STATUS, SUBJECT, DATE = (
    "Observation.code",
    "Observation.status",
    "Observation.subject",
    "Observation.date",
)


def keys(patient="", code="", date=None, identifier=""):
    return SearchKeys(
        patient,
        tokens=tuple(
            key
            for key in (
                TokenKey(CODE, "http://s", code) if code else None,
                TokenKey("Observation.identifier", "urn:x", identifier, wide=True) if identifier else None,
            )
            if key
        ),
        references=(ReferenceKey(SUBJECT, f"Patient/{patient}"),) if patient else (),
        dates=(DateKey(DATE, *date),) if date else (),
    )


def run(work):
    return asyncio.run(work)


def put(store, *resources):
    """Write (id, keys) or (id, keys, content) rows as one transaction."""

    async def work(txn):
        return [
            await txn.put("Observation", id_, rest[1] if len(rest) > 1 else b"{}", rest[0])
            for id_, *rest in resources
        ]

    return run(store.write("put", work))


def found(store, *clauses, **more):
    page = run(store.search(Query("Observation", clauses, **more)))
    return [version.id for version in page.versions]


def token(code, system=None, modifier=""):
    return Clause((CODE,), "token", (TokenValue(system, code),), modifier)


def patient(*ids):
    return Clause((SUBJECT,), "reference", tuple(ReferenceValue((f"Patient/{id_}",)) for id_ in ids))


def test_the_text_is_kept_and_only_the_version_is_put_in(store):
    (version,) = put(store, ("a", SearchKeys(), EXACT))
    meta = b'"id":"a","meta":{"versionId":"1","lastUpdated":"2026-02-04T10:00:00.000Z"}'
    assert version.content == EXACT.replace(b'"Observation",', b'"Observation",' + meta + b",")
    assert run(store.read("Observation", "a")) == version
    assert version.etag == 'W/"1"'


def test_versions_are_kept_and_last_updated_rises_although_the_clock_stands(store, clock):
    put(store, ("a", SearchKeys()), ("a", SearchKeys()))
    clock.now -= timedelta(hours=1)
    put(store, ("a", SearchKeys()))
    versions = run(store.history(History(("Observation",), "a"))).versions
    assert [version.version for version in versions] == [3, 2, 1]
    assert [version.last_updated for version in versions] == [
        "2026-02-04T10:00:00.002Z",
        "2026-02-04T10:00:00.001Z",
        "2026-02-04T10:00:00.000Z",
    ]
    assert [parse(version.content)["meta"]["versionId"] for version in versions] == ["3", "2", "1"]
    assert run(store.vread("Observation", "a", 2)) == versions[1]
    assert run(store.vread("Observation", "a", 4)) is None
    assert run(store.read("Observation", "b")) is None
    assert run(store.history(History(("Observation",), "b"))) == Page((), 0, None)


def test_a_transaction_sees_earlier_versions_and_its_own(store):
    earlier = [*put(store, ("a", SearchKeys())), *put(store, ("a", SearchKeys()))]

    async def work(txn):
        last = await txn.put("Observation", "a", b"{}", SearchKeys())
        seen = [await txn.vread("Observation", "a", number) for number in (1, 2, 3, 4)]
        return last, seen, await txn.vread("Observation", "b", 1)

    last, seen, other = run(store.write("look back", work))
    assert (seen, other) == ([*earlier, last, None], None)


@pytest.mark.conformance("D34")
def test_a_deletion_is_a_version_found_by_id_but_not_by_search(store):
    put(store, ("a", keys("1", "x", identifier="i")))

    async def delete(txn):
        first = await txn.delete("Observation", "a")
        assert await txn.delete("Observation", "a") == first
        assert await txn.find("Observation", "urn:x", "i") == []
        return first

    gone = run(store.write("delete", delete))
    assert (gone.deleted, gone.version, gone.content) == (True, 2, b"")
    assert run(store.read("Observation", "a")) == gone
    assert found(store) == found(store, token("x")) == found(store, patient("1")) == []
    (back,) = put(store, ("a", keys("1", "x")))
    assert back.version == 3
    assert found(store, token("x")) == ["a"]


def test_deleting_what_never_was_is_an_error(store):
    async def delete(txn):
        await txn.delete("Observation", "a")

    with pytest.raises(NotFound):
        run(store.write("delete", delete))


def test_work_that_raises_leaves_nothing(store):
    put(store, ("a", keys("1", "x")))

    async def broken(txn):
        await txn.put("Observation", "a", b'{"new":1}', keys("2", "y"))
        await txn.put("Observation", "b", b"{}", keys("2", "y", identifier="n"))
        await txn.claim_visit(VisitKey("s", "v", "2", "t"))
        raise Conflict("no")

    with pytest.raises(Conflict):
        run(store.write("broken", broken))
    assert run(store.read("Observation", "a")).version == 1
    assert run(store.read("Observation", "b")) is None
    assert found(store, token("y")) == []
    assert found(store, token("x")) == ["a"]

    async def look(txn):
        return await txn.visit("s", "v"), await txn.find("Observation", "urn:x", "n")

    assert run(store.write("look", look)) == (None, [])
    put(store, ("c", keys("2", "y")))  # the words of the broken work are not taken for stored
    assert found(store, token("y"), patient("2")) == ["c"]


def test_a_transaction_sees_its_own_writes(store):
    async def work(txn):
        await txn.put("Observation", "a", b"{}", keys("1", "x", identifier="rec/1"))
        by_search = await txn.search(Query("Observation", (token("x"),)))
        by_identifier = await txn.find("Observation", "urn:x", "rec/1")
        by_prefix = await txn.identified("urn:x", "rec/")
        read = await txn.read("Observation", "a")
        return [by_search.versions[0], by_identifier[0], by_prefix[0], read]

    versions = run(store.write("work", work))
    assert {version.id for version in versions} == {"a"}


def test_a_transaction_finds_texts_it_has_just_written(store):
    said = Clause((CODE,), "token", (StringValue("nasal reflux"),), "text")

    async def work(txn):
        code = TokenKey(CODE, "http://s", "x", text="|seldom|nasal reflux")
        await txn.put("Observation", "a", b"{}", SearchKeys("1", (code,)))
        await txn.put("Observation", "b", b"{}", keys("1", "x"))
        page = await txn.search(Query("Observation", (said,)))
        return [one.id for one in page.versions], page.total

    assert run(store.write("work", work)) == (["a"], 1)
    assert found(store, said) == ["a"]


def test_identifiers_are_looked_for_together(store):
    put(store, ("a", keys(identifier="r/1")), ("b", keys(identifier="r/2")), ("c", keys(identifier="r/2")))

    async def look(txn):
        await txn.put("Observation", "d", b"{}", keys(identifier="r/3"))
        values = ("r/2", "none", "r/3", "r/1", "r/2")
        wanted = [Identified("Observation", "urn:x", value) for value in values]
        strange = [Identified("Observation", "urn:y", "r/1"), Identified("Goal", "urn:x", "r/1")]
        return [[one.id for one in its] for its in await txn.find_all([*wanted, *strange])]

    assert run(store.write("look", look)) == [["b", "c"], [], ["d"], ["a"], ["b", "c"], [], []]


def test_what_is_expected_is_read_and_written_the_same(store):
    put(store, ("a", keys("1", "x")), ("b", keys("1", "x")))

    async def work(txn):
        await txn.put("Observation", "b", b"{}", keys("1", "z"))
        await txn.expect([("Observation", id_) for id_ in "abc"])
        before = [await txn.read("Observation", id_) for id_ in "abc"]
        after = [await txn.put("Observation", id_, b"{}", keys("1", "y")) for id_ in "abc"]
        return [one and one.version for one in before], [one.version for one in after]

    assert run(store.write("work", work)) == ([1, 2, None], [2, 3, 1])
    assert found(store, token("x")) == []
    assert sorted(found(store, token("y"))) == ["a", "b", "c"]


def test_identifiers_are_found_exactly_and_by_prefix(store):
    put(store, ("a", keys(identifier="r/1")), ("b", keys(identifier="r/10")), ("c", keys(identifier="s/1")))

    async def look(txn):
        return (
            [one.id for one in await txn.find("Observation", "urn:x", "r/1")],
            [one.id for one in await txn.find("Observation", "urn:y", "r/1")],
            [one.id for one in await txn.find("Observation", "", "r/1")],
            [one.id for one in await txn.identified("urn:x", "r/")],
        )

    assert run(store.write("look", look)) == (["a"], [], [], ["a", "b"])


def test_two_writers_with_the_same_condition_one_wins(store):
    put(store, ("a", SearchKeys()))

    async def conditional(txn):
        version = await txn.read("Observation", "a")
        if version.version != 1:
            raise Conflict("changed")
        return await txn.put("Observation", "a", b"{}", SearchKeys())

    async def race():
        return await asyncio.gather(
            *(store.write("race", conditional) for _ in range(8)), return_exceptions=True
        )

    results = run(race())
    assert sum(not isinstance(result, Conflict) for result in results) == 1
    assert run(store.read("Observation", "a")).version == 2


def test_one_visit_record_per_patient_and_time(store):
    def claim(value, time="t1", patient="1"):
        async def work(txn):
            await txn.claim_visit(VisitKey("s", value, patient, time))
            return await txn.visit("s", value)

        return store.write("claim", work)

    async def race():
        return await asyncio.gather(*(claim(f"v{number}") for number in range(6)), return_exceptions=True)

    results = run(race())
    assert sum(isinstance(result, Conflict) for result in results) == 5
    winner = next(result for result in results if isinstance(result, VisitKey))
    assert run(claim(winner.value, "t2")).time == "t2"  # the same record moves to another time
    assert run(claim("other", "t1")).value == "other"  # which frees the first
    with pytest.raises(Conflict):
        run(claim("third", "t2"))


def test_clauses_all_hold_and_any_value_may(store):
    put(
        store,
        ("a", keys("1", "x", (10, 20))),
        ("b", keys("1", "y", (20, 30))),
        ("c", keys("2", "x", (10, 20))),
        ("d", keys("", "x")),
    )
    assert found(store, patient("1")) == ["a", "b"]
    assert found(store, patient("1"), token("x")) == ["a"]
    assert found(store, patient("1", "2"), token("x")) == ["a", "c"]
    assert found(store, token("x")) == ["a", "c", "d"]
    assert found(store, token("x", "http://s")) == ["a", "c", "d"]
    assert found(store, token("x", "http://t")) == []
    assert found(store, token("x", "")) == []
    assert found(store, token(None, "http://s")) == ["a", "b", "c", "d"]
    assert found(store, token("x", modifier="not")) == ["b"]
    assert found(store, patient("1"), token("x", modifier="not")) == ["b"]
    assert found(store, Clause((CODE,), "token", (TokenValue(None, "x"), TokenValue(None, "y")))) == [
        "a",
        "b",
        "c",
        "d",
    ]
    assert found(store, Clause(("_id",), "id", ("a", "d", "zz"))) == ["a", "d"]
    assert found(store, patient("3")) == []


def test_a_resource_of_several_patients_is_found_by_each(store):
    both = SearchKeys(
        "",
        (TokenKey(CODE, "", "x"),),
        (ReferenceKey(SUBJECT, "Patient/1"), ReferenceKey(SUBJECT, "Patient/2")),
    )
    put(store, ("a", both), ("b", keys("1", "x")))
    assert found(store, patient("1"), token("x")) == ["a", "b"]
    assert found(store, patient("2"), token("x")) == ["a"]
    assert found(store, patient("3"), token("x")) == []


@pytest.mark.conformance("D34")
def test_an_update_moves_the_keys(store):
    put(store, ("a", keys("1", "x", (10, 20), "i1")))
    put(store, ("a", keys("2", "x", (30, 40), "i2")))
    assert found(store, patient("1")) == []
    assert found(store, patient("2"), token("x")) == ["a"]
    assert found(store, Clause((DATE,), "date", (DateValue("eq", 10, 20),))) == []


# target [10, 20) against a search value, per prefix; search.html, prefixes
@pytest.mark.conformance("D11")
@pytest.mark.parametrize(
    ("prefix", "hits"),
    [
        ("eq", [(10, 20), (0, 50)]),
        ("ne", [(12, 15), (0, 5), (15, 25), (30, 40)]),
        ("gt", [(0, 5), (12, 15)]),
        ("lt", [(12, 15), (15, 25), (30, 40)]),
        ("ge", [(10, 20), (0, 5), (12, 15), (0, 50)]),
        ("le", [(10, 20), (12, 15), (15, 25), (30, 40), (0, 50)]),
        ("sa", [(0, 5)]),
        ("eb", [(30, 40)]),
        ("ap", [(10, 20), (12, 15), (15, 25), (0, 50)]),
    ],
)
@pytest.mark.parametrize("with_patient", [True, False])
def test_date_prefixes(store, prefix, hits, with_patient):
    put(store, ("a", keys("1", date=(10, 20))))
    values = [(10, 20), (0, 5), (12, 15), (15, 25), (30, 40), (0, 50)]
    more = (patient("1"),) if with_patient else ()
    got = [
        value
        for value in values
        if found(store, *more, Clause((DATE,), "date", (DateValue(prefix, *value),)))
    ]
    assert sorted(got) == sorted(hits)


def test_last_updated_is_searched_like_a_date(store, clock):
    put(store, ("a", SearchKeys()))
    clock.now += timedelta(days=1)
    put(store, ("b", SearchKeys()))
    middle = int(clock.now.timestamp() * 1000) - 3_600_000

    def updated(prefix):
        return found(store, Clause(("_lastUpdated",), "updated", (DateValue(prefix, middle, middle + 1),)))

    assert updated("gt") == ["b"]
    assert updated("lt") == ["a"]
    assert updated("eq") == []


@pytest.mark.conformance("D12")
def test_strings_by_beginning_exactly_and_anywhere(store):
    names = SearchKeys("p", strings=(StringKey("Patient.name", "muller", "Müller"),))

    async def work(txn):
        await txn.put("Patient", "p", b"{}", names)

    run(store.write("put", work))

    def search(value, modifier=""):
        clause = Clause(("Patient.name",), "string", (StringValue(value),), modifier, wide=True)
        return len(run(store.search(Query("Patient", (clause,)))).versions)

    assert [search("mul"), search("ull"), search("muller"), search("mullers")] == [1, 0, 1, 0]
    assert [search("Müller", "exact"), search("muller", "exact"), search("ull", "contains")] == [1, 0, 1]


def walk(store, count, clauses=(), sort=()):
    ids, after, pages = [], "", 0
    while True:
        page = run(store.search(Query("Observation", clauses, sort, count, after)))
        ids += [version.id for version in page.versions]
        pages += 1
        if page.next_after is None:
            return ids, pages, page.total
        after = page.next_after


@pytest.mark.conformance("D4", "D23")
@pytest.mark.parametrize(
    "sort",
    [
        (),
        (Sort((DATE,), "date"),),
        (Sort((DATE,), "date", descending=True),),
        (Sort(("_lastUpdated",), "updated", descending=True),),
        (Sort((DATE,), "date"), Sort(("_id",), "id", descending=True)),
    ],
)
def test_pages_walk_everything_once(store, sort):
    put(store, *((f"r{n:02}", keys("1", "x", (n % 3, n % 3 + 1) if n % 5 else None)) for n in range(23)))
    ids, pages, total = walk(store, 5, (patient("1"),), sort)
    assert sorted(ids) == [f"r{n:02}" for n in range(23)]
    assert (pages, total) == (5, 23)


@pytest.mark.conformance("D23")
def test_sorting_by_date_puts_those_without_last(store):
    put(store, ("a", keys("1", date=(20, 30))), ("b", keys("1")), ("c", keys("1", date=(10, 90))))
    assert found(store, sort=(Sort((DATE,), "date"),)) == ["c", "a", "b"]
    assert found(store, sort=(Sort((DATE,), "date", descending=True),)) == ["c", "a", "b"]


@pytest.mark.conformance("D4")
def test_pages_stay_right_while_others_write(store):
    put(store, *((f"r{n}", keys("1")) for n in range(6)))
    first = run(store.search(Query("Observation", (), (), 3)))
    put(store, ("new", keys("1")), ("r0", keys("1")))
    rest = run(store.search(Query("Observation", (), (), 10, first.next_after)))
    assert [one.id for one in first.versions] + [one.id for one in rest.versions] == [
        "r0",
        "r1",
        "r2",
        "r3",
        "r4",
        "r5",
        "new",
    ]


def test_count_nought_and_total_none(store):
    put(store, ("a", SearchKeys()))
    page = run(store.search(Query("Observation", count=0)))
    assert (page.versions, page.total) == ((), 1)
    assert run(store.search(Query("Observation", total="none"))).total is None


def test_changes_stream_the_newest_version_in_order(store):
    put(store, *((f"r{n}", SearchKeys()) for n in range(450)))
    put(store, ("r3", SearchKeys()))

    async def collect(after=0):
        return [version async for version in store.changes(after)]

    everything = run(collect())
    assert [one.id for one in everything] == [f"r{n}" for n in range(450) if n != 3] + ["r3"]
    assert [one.sequence for one in everything] == sorted(one.sequence for one in everything)
    assert [one.id for one in run(collect(everything[-2].sequence))] == ["r3"]


def test_what_was_written_is_there_after_opening_again(open_store):
    with open_store() as store:
        (version,) = put(store, ("a", keys("1", "x"), EXACT))
    with open_store() as store:
        assert run(store.read("Observation", "a")) == version
        assert found(store, token("x")) == ["a"]


def test_a_closed_store_says_so(open_store):
    with open_store() as store:
        run(store.close())
        with pytest.raises(StoreUnavailable):
            put(store, ("a", SearchKeys()))
        with pytest.raises(StoreUnavailable):
            run(store.read("Observation", "a"))
