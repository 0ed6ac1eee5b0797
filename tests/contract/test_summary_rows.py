"""Rows for lists of patients: never silently behind what is on file; see conftest.py for the engines."""

import asyncio

import pytest

from service.fhir.search_values import ReferenceKey, SearchKeys
from service.store.summaries import Summary, SummaryQuery

DAY, BASIS = "2026-02-04", "rules 1"
ALL = SummaryQuery(DAY, BASIS)


def run(work):
    return asyncio.run(work)


def about(*patients):
    references = tuple(ReferenceKey("Observation.subject", f"Patient/{one}") for one in patients)
    return SearchKeys(patients[0] if len(patients) == 1 else "", references=references)


def put(store, type_, id_, *patients):
    run(store.write("put", lambda txn: txn.put(type_, id_, b"{}", about(*patients))))


def people(store, *ids):
    for id_ in ids:
        put(store, "Patient", id_)


def row(patient, **more):
    return Summary(patient, **{"day": DAY, "basis": BASIS, "content": f"of {patient}", **more})


def keep(store, seen, summary):
    return run(store.write("keep", lambda txn: txn.keep_summary(seen, summary)))


def renew(store, *summaries):
    for one in summaries:
        (seen,) = run(store.seen([one.patient]))
        assert keep(store, seen, one)


def listed(store, **more):
    page = run(store.summaries(SummaryQuery(DAY, BASIS, **more)))
    return [one.patient for one in page.listed]


def behind(store):
    return sorted(run(store.behind(DAY, BASIS, 100)))


def test_a_patient_without_a_row_is_listed_and_behind(store):
    people(store, "a")
    page = run(store.summaries(ALL))
    assert [(one.patient, one.content, one.behind) for one in page.listed] == [("a", None, True)]
    assert (page.total, page.behind, behind(store)) == (1, 1, ["a"])
    renew(store, row("a"))
    page = run(store.summaries(ALL))
    assert [(one.patient, one.content, one.behind) for one in page.listed] == [("a", "of a", False)]
    assert (page.total, page.behind, behind(store), run(store.noted(9))) == (1, 0, [], [])


def test_whatever_a_search_by_patient_finds_puts_the_row_behind(store):
    people(store, "a", "b")
    renew(store, row("a"), row("b"))
    for change in (
        lambda: put(store, "Patient", "a"),
        lambda: put(store, "Observation", "o", "a"),
        lambda: put(store, "Observation", "o", "a"),
        lambda: put(store, "Observation", "two", "a", "b"),
        lambda: put(store, "Observation", "two", "b"),
        lambda: run(store.write("delete", lambda txn: txn.delete("Observation", "o"))),
    ):
        renew(store, row("a"), row("b"))
        change()
        assert "a" in behind(store)
        assert "a" in run(store.noted(9))
    renew(store, row("a"), row("b"))
    put(store, "Observation", "two", "b")
    assert behind(store) == ["b"]


def test_a_row_of_another_day_or_of_other_rules_is_behind(store):
    people(store, "a")
    renew(store, row("a"))
    for day, basis in (("2026-02-05", BASIS), (DAY, "rules 2")):
        assert run(store.behind(day, basis, 9)) == ["a"]
        (one,) = run(store.summaries(SummaryQuery(day, basis))).listed
        assert (one.content, one.behind) == ("of a", True)


def test_a_change_noted_while_a_row_is_computed_is_not_forgotten(store):
    people(store, "a")
    (seen,) = run(store.seen(["a"]))
    put(store, "Observation", "o", "a")
    assert keep(store, seen, row("a"))
    assert behind(store) == ["a"]


def test_of_two_who_compute_at_once_the_later_one_does_not_overwrite(store):
    people(store, "a")
    (early,) = run(store.seen(["a"]))
    put(store, "Observation", "o", "a")
    (late,) = run(store.seen(["a"]))
    assert keep(store, late, row("a", content="new"))
    assert not keep(store, early, row("a", content="old"))
    assert [one.content for one in run(store.summaries(ALL)).listed] == ["new"]
    assert behind(store) == []


def test_what_was_seen_before_counts_only_once(store):
    people(store, "a")
    (early,) = run(store.seen(["a"]))
    (late,) = run(store.seen(["a"]))
    put(store, "Observation", "o", "a")
    assert keep(store, early, row("a", content="old"))
    assert not keep(store, late, row("a", content="old as well"))
    assert behind(store) == ["a"]


def test_a_patient_who_is_gone_is_not_listed_and_leaves_nothing(store):
    people(store, "a", "b")
    renew(store, row("a"), row("b"))
    run(store.write("delete", lambda txn: txn.delete("Patient", "a")))
    assert listed(store) == ["b"]
    assert behind(store) == ["a"]
    (seen,) = run(store.seen(["a"]))
    assert keep(store, seen, None)
    assert (behind(store), run(store.noted(9))) == ([], [])


def test_a_note_of_somebody_never_on_file_can_be_taken_away(store):
    put(store, "Observation", "o", "ghost")
    assert run(store.noted(9)) == ["ghost"]
    (seen,) = run(store.seen(["ghost"]))
    assert keep(store, seen, None)
    assert run(store.noted(9)) == []


def test_nothing_is_noted_of_a_work_that_fails(store):
    people(store, "a")
    renew(store, row("a"))

    async def work(txn):
        await txn.put("Observation", "o", b"{}", about("a"))
        await txn.find("Observation", "s", "v")
        raise KeyError

    with pytest.raises(KeyError):
        run(store.write("fail", work))
    assert behind(store) == []


def test_conditions_all_hold(store):
    people(store, "a", "b", "c", "d")
    renew(
        store,
        row(
            "a",
            name="anna berg",
            last_visit="2026-01-01",
            next_review="2026-02-01",
            tags=frozenset({"x", "y"}),
        ),
        row("b", name="berta", last_visit="2026-02-01", next_review="2026-03-01", tags=frozenset({"x"})),
        row("c", name="cid", tags=frozenset({"xy"}), day="2026-02-03"),
    )
    assert listed(store, tags=("x",)) == ["a", "b"]
    assert listed(store, tags=("x", "y")) == ["a"]
    assert listed(store, name=("ber",)) == ["a", "b"]
    assert listed(store, name=("ber", "an")) == ["a"]
    assert listed(store, name=("%",)) == []
    assert listed(store, seen_before="2026-02-01") == ["a", "c"]
    assert sorted(listed(store, behind=True)) == ["c", "d"]
    page = run(store.summaries(SummaryQuery(DAY, BASIS, tags=("x",), count=1)))
    assert (len(page.listed), page.total, page.behind) == (1, 2, 2)


def test_orders_are_by_code_point_both_ways_and_end_with_what_has_no_value(store):
    people(store, "a", "b", "c", "d")
    renew(
        store,
        row("a", name="zoe", last_visit="2026-01-01", concern=2, cues=0),
        row("b", name="Zoe", last_visit="2026-02-01", concern=1, cues=3),
        row("c", name="öd", concern=3, cues=1),
    )
    assert listed(store) == ["b", "a", "c", "d"]
    assert listed(store, order="name", descending=True) == ["c", "a", "b", "d"]
    assert listed(store, order="visit") == ["a", "b", "c", "d"]
    assert listed(store, order="visit", descending=True) == ["b", "a", "c", "d"]
    assert listed(store, order="status", descending=True) == ["c", "a", "b", "d"]
    assert listed(store, order="cues") == ["a", "c", "b", "d"]
    assert listed(store, order="review", count=2, offset=1) == ["a", "c"]


def test_a_long_content_is_kept_as_it_is(store):
    people(store, "a")
    renew(store, row("a", content="€" * 2_000, name="n" * 700))
    (one,) = run(store.summaries(ALL)).listed
    assert one.content == "€" * 2_000


def test_rows_are_in_no_backup(store):
    people(store, "a")
    renew(store, row("a", content="derived"))

    async def rows():
        return [one async for one in store.rows()]

    assert "derived" not in str(run(rows()))
