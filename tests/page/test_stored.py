"""The pages over a real store: what is shown is what the operation computes from the same resources."""

from datetime import date

import pytest
from filed import FILED, OBSERVATION, ZONE, coded, component, now, observation, put
from page_reader import Page

from service.errors import Gone, NotFound
from service.operations.goal_attainment import compute
from service.page.stored import StoredViews
from service.store.sqlite import SqliteStore

pytestmark = pytest.mark.anyio


@pytest.fixture
async def store(tmp_path):
    opened = SqliteStore(tmp_path / "store.sqlite", clock=now)
    await put(opened, *FILED)
    yield opened
    await opened.close()


@pytest.fixture
def views(store):
    return StoredViews(store, ZONE, now)


async def test_the_goals_are_the_operations_answer_of_the_same_day(views, store):
    for day in (date(2026, 6, 5), date(2026, 6, 19), date(2026, 7, 3)):
        shown = (await views.patient("p1", day)).goals[0]
        computed = (await compute(store, "p1", day, zone=ZONE)).goals[0]
        assert shown.computed == computed.status.code
        assert [
            (one.day, one.value, one.trials.k, one.trials.n, one.low, one.high) for one in shown.readings
        ] == [
            (one.day, one.value.value, one.value.k, one.value.n, one.interval.low, one.interval.high)
            for one in computed.readings
        ]
        assert (shown.attained, shown.run) == (
            computed.status.progress.attained,
            computed.status.progress.in_a_row,
        )


async def test_without_a_day_it_is_today_at_the_site(views):
    shown = await views.patient("p1", None)
    assert shown.day == date(2026, 7, 3)
    assert (shown.goals[0].computed, shown.goals[0].attained) == ("achieved", date(2026, 7, 3))


async def test_the_page_shows_those_numbers(get):
    page = Page((await get("/app/patients/p1?date=2026-07-03")).text)
    assert page.rows[1][:3] == [
        "40 % 2 of 5 5 Jun 2026",
        "80 % 4 of 5 3 Jul 2026 95 % interval 38 % to 96 %",
        "80 % or more on 2 consecutive visits: met on 3 Jul 2026",
    ]
    assert "the numbers say achieved, the record states in progress" in page.text
    assert (
        "somebody whose true rate is 60 % meets this criterion within 3 visits 19 times in 100" in page.text
    )
    assert "Red flags, last visit blood" in page.text
    assert "level 5 of 7 (3 Jul 2026)" in page.text
    assert "91 (born 1935)" in page.text


async def test_an_unknown_and_a_deleted_person(views, store):
    with pytest.raises(NotFound):
        await views.patient("nobody", None)

    async def work(transaction):
        await transaction.delete("Patient", "p1")

    await store.write("test", work)
    with pytest.raises(Gone):
        await views.patient("p1", None)


async def test_a_visit_shows_its_own_trials_and_what_changed(views):
    shown = await views.visit("p1", "visit-2026-06-19")
    assert (shown.day, shown.before) == (date(2026, 6, 19), date(2026, 6, 5))
    assert shown.grid is None  # these trials do not name their visit
    (goal, status, *_) = shown.changes
    assert (goal.before, goal.now, goal.changed) == ("40 % (2 of 5)", "80 % (4 of 5)", True)
    assert status.now.startswith("computed: in progress")


async def test_the_first_visit_has_none_before(views):
    shown = await views.visit("p1", "visit-2026-06-05")
    assert shown.before is None
    assert shown.changes[0].before == "not measured"


async def test_a_visit_of_somebody_else_is_not_found(views):
    for patient, visit in (("p1", "nowhere"), ("nobody", "visit-2026-06-05")):
        with pytest.raises(NotFound):
            await views.visit(patient, visit)


async def test_studies_by_different_methods_are_shown_apart_and_not_compared(views, store):
    def bolus(day, category, score):
        parts = [
            {"code": coded("airway-invasion-8pt", OBSERVATION), "valueInteger": score},
            component("bolus-consistency", "iddsi-0"),
        ]
        return seen(day, "bolus-swallow", category, parts)

    def seen(day, code, category, parts):
        about = {"category": [{"coding": [{"code": category}]}], "component": parts}
        return observation(f"{day}-{category}-{code}", code, day, **about)

    limited = [component("view-quality", "limited")]
    await put(
        store,
        bolus("2026-06-19", "exam", 2),
        bolus("2026-07-03", "imaging", 5),
        seen("2026-07-03", "study-conditions", "imaging", limited),
    )
    newest, before = (await views.patient("p1", date(2026, 7, 3))).studies
    assert before.how == "endoscopic study, quality of the view not recorded"
    assert newest.how == "X-ray study (videofluoroscopic), view limited"
    assert newest.compared == (
        "not comparable: different methods (endoscopic before, videofluoroscopic now)",
    )
