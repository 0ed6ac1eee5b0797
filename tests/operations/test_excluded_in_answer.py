"""An excluded visit and a trial marked not observable, in the whole computed answer, and undone."""

from datetime import date
from zoneinfo import ZoneInfo

import pytest
from deciding import Desk
from demo_store import Demo

from service.operations.goal_attainment import compute

DAY = date(2026, 3, 24)
LAST_VISIT = "demo-01-visit-6"
RECORDS = "https://clinic.example.org/visit-records"


@pytest.fixture
def demo(tmp_path):
    loaded = Demo.of(tmp_path, "demo-01")
    yield loaded
    loaded.run(loaded.store.close())


def named(demo, type_, value):
    async def work(txn):
        (found,) = await txn.find(type_, RECORDS, value)
        return found.id

    return demo.run(demo.store.write("find", work))


def answer(demo):
    return demo.run(compute(demo.store, demo.patient("demo-01"), DAY, zone=ZoneInfo("UTC")))


def latest_scores(found):
    return {score.measure: score.values[-1].value for score in found.scores}


def test_an_excluded_visit_counts_nowhere_and_is_listed_until_it_is_undone(demo):
    before, visit = answer(demo), named(demo, "Encounter", LAST_VISIT)
    done = Desk(demo).exclude(visit, reason="Came with a fever.")
    without = answer(demo)
    assert [one.day for one in without.visits] == [one.day for one in before.visits[:-1]]
    assert len(without.practice) == len(before.practice) - 1
    assert latest_scores(before) == {"oral-intake-level": 6, "eat10-total": 11, "body-weight": 72.5}
    assert latest_scores(without) == {"oral-intake-level": 5, "eat10-total": 15, "body-weight": 72.5}
    (excluded,) = without.excluded
    assert (excluded.reference, excluded.day, excluded.reason) == (
        f"Encounter/{visit}",
        DAY,
        "Came with a fever.",
    )
    counted = {source for goal in without.goals for source in goal.evidence}
    assert excluded.evidence
    assert counted.isdisjoint(excluded.evidence)
    reading = without.goals[0].readings[-1]
    assert (reading.day, reading.value, reading.why) == (DAY, None, "visit excluded: Came with a fever.")
    Desk(demo).undo(done)
    assert answer(demo) == before


def test_the_operation_lists_it(demo):
    Desk(demo).exclude(named(demo, "Encounter", LAST_VISIT), reason="Came with a fever.")
    (found,) = demo.answer("demo-01", DAY.isoformat()).all("excludedVisit")
    assert (found.get("date"), found.get("reason")) == (DAY.isoformat(), "Came with a fever.")
    assert len(found.all("evidence")) > 20


def test_a_trial_marked_not_observable_leaves_its_share_and_its_pair_until_it_is_undone(demo):
    before = answer(demo)
    done = Desk(demo).mark(named(demo, "Observation", f"{LAST_VISIT}/pre/1"), code="view-lost")
    marked = answer(demo).visits[-1]
    assert (before.visits[-1].closure.k, before.visits[-1].closure.n) == (4, 5)
    assert (marked.closure.k, marked.closure.n, marked.closure.left_out) == (
        3,
        4,
        {"not observable: view lost": 1},
    )
    assert (before.visits[-1].by_posture.n, marked.by_posture.n, marked.own.n) == (5, 4, 4)
    Desk(demo).undo(done)
    assert answer(demo) == before
