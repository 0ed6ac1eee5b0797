"""The list of patients over a real store: who is on it, in which order, and that it is never silently old."""

import re
from datetime import timedelta

import pytest
from filed import FILED, GOAL, now, patient, put
from page_reader import ORIGIN, Page

from service.errors import StoreUnavailable
from service.page.panel_row import PanelCue, PanelRow

pytestmark = pytest.mark.anyio
SAME = {"Origin": ORIGIN}
ME = "Practitioner/me"
CODES = "http://terminology.hl7.org/CodeSystem"
HOSTILE = "<script>alert('x')</script>\"'&--><svg onload=alert(1)>"


def care_team(id_, person, member=ME, status="active", end=None):
    period = {"period": {"end": end}} if end else {}
    return {
        "resourceType": "CareTeam",
        "id": id_,
        "status": status,
        "subject": {"reference": f"Patient/{person}"},
        "participant": [{"member": {"reference": member}, **period}],
    }


@pytest.fixture
async def people(summaries):
    """Marlowe Testwell with three visits, and three people without any."""
    others = (
        patient("p2", "Acorn", birthDate="1990-01-02", active=False),
        patient("p3", "Birch", deceasedDateTime="2026-01-01"),
        patient("p4", "Ångström"),
    )
    await put(summaries.store, *FILED, *others)
    return summaries


@pytest.fixture
def ask(browser, token):
    """Ask for a page of the list as somebody; answers the response."""

    async def asked(path="/app", fhir_user="", name=None, **form):
        async with browser() as client:
            signed = {"Authorization": f"Bearer {token(fhir_user=fhir_user)}"}
            if name is None:
                return await client.get(path, headers=signed)
            return await client.post("/app", data={"name": name, **form}, headers=signed | SAME)

    return asked


@pytest.fixture
def names(ask):
    """The names on a page of the list."""

    async def listed(path="/app", **more):
        page = Page((await ask(path, **more)).text)
        heads = [row[0] for row in page.rows[1:]]
        return [re.split(" born | test data|;|, Test", head)[0] for head in heads]

    return listed


@pytest.mark.usefixtures("people")
async def test_a_line_tells_where_somebody_stands(ask):
    page = Page((await ask()).text)
    assert page.rows[0] == [
        "Name A to Z",
        "Last visit",
        "Open goals, by computed status",
        "Attention cues",
        "Next review",
    ]
    line = next(row for row in page.rows if row[0].startswith("Testwell"))
    assert line[:3] == [
        "Testwell, Test test data born 1935, age 91",
        "today (3 Jul 2026)",
        "1 achieved 1 stated otherwise",
    ]
    assert line[4] == "none planned"
    assert {"href": "/app/patients/p1"} in page.attributes("a")
    assert "4 people, as of 3 Jul 2026." in page.text
    assert "absence of a cue does not mean safety" in page.text


async def test_what_not_everybody_may_see_is_in_no_line(ask, people):
    """One line is shown to all; what a label or a Consent may withhold is looked up in the record."""
    visit = {
        "resourceType": "Encounter",
        "id": "labelled",
        "meta": {"security": [{"system": f"{CODES}/v3-Confidentiality", "code": "R"}]},
        "status": "finished",
        "class": {"system": f"{CODES}/v3-ActCode", "code": "AMB"},
        "subject": {"reference": "Patient/p4"},
        "period": {"start": "2026-05-01"},
    }
    withholding = {
        "resourceType": "Consent",
        "id": "withholding",
        "status": "active",
        "scope": {"coding": [{"system": f"{CODES}/consentscope", "code": "patient-privacy"}]},
        "category": [{"coding": [{"system": "http://loinc.org", "code": "59284-0"}]}],
        "patient": {"reference": "Patient/p2"},
        "policyRule": {"coding": [{"system": f"{CODES}/v3-ActCode", "code": "OPTOUT"}]},
    }
    await put(people.store, visit, withholding)
    rows = Page((await ask()).text).rows
    named = ("Testwell", "Acorn", "Ångström")
    testwell, acorn, angstrom = [next(row for row in rows if name in row[0]) for name in named]
    assert "without what a label restricts" in angstrom[0]
    assert angstrom[1] == "none", "the visit is not told"
    assert "A Consent may withhold" in acorn[1]
    assert "label" not in testwell[0]


@pytest.mark.usefixtures("people")
async def test_those_who_died_or_whose_record_is_not_active_are_told(ask):
    text = Page((await ask()).text).text
    assert "Acorn, Test born 1990, age 36; record not active" in text
    assert "Birch, Test died" in text


@pytest.mark.usefixtures("people")
async def test_it_is_ordered_by_each_column_both_ways(names):
    assert await names() == ["Acorn", "Ångström", "Birch", "Testwell"]
    assert await names("/app?way=turned") == ["Testwell", "Birch", "Ångström", "Acorn"]
    for order in ("visit", "status"):
        assert (await names(f"/app?sort={order}"))[0] == "Testwell"
    for order in ("cues", "review"):
        assert len(await names(f"/app?sort={order}&way=turned")) == 4


@pytest.mark.usefixtures("people")
async def test_every_column_is_a_link_that_keeps_what_was_asked_and_tells_the_order(ask):
    page = Page((await ask("/app?sort=visit&status=achieved")).text)
    assert [one.get("aria-sort") for one in page.attributes("th") if "aria-sort" in one] == ["ascending"]
    links = {link["href"] for link in page.attributes("a")}
    assert "/app?status=achieved&sort=visit&way=turned" in links
    assert "/app?status=achieved" in links
    assert "/app?status=achieved&sort=cues" in links


async def test_it_is_narrowed(names, ask, people):
    assert await names("/app?status=achieved") == ["Testwell"]
    assert await names("/app?status=worsening") == []
    assert await names("/app?unseen=1") == ["Acorn", "Ångström", "Birch"]
    assert await names("/app?review=overdue") == []
    people.now = lambda: now() + timedelta(days=9)
    assert "Testwell" not in await names("/app?unseen=10")
    assert "Testwell" in await names("/app?unseen=9")
    assert "Not seen for at least (days)" in Page((await ask("/app?unseen=9")).text).text


async def test_a_list_of_ones_own_are_people_whose_active_care_team_names_one(names, ask, people):
    await put(
        people.store,
        care_team("mine", "p1"),
        care_team("over", "p2", status="inactive"),
        care_team("left", "p3", end="2026-07-02"),
        care_team("others", "p4", member="Practitioner/other"),
    )
    assert await names(fhir_user=ME) == ["Testwell"]
    assert await names(fhir_user=ME, name="t") == ["Testwell"]
    for elsewhere in (ORIGIN, "https://elsewhere.example.org"):  # the settings name no base of ours
        assert await names(fhir_user=f"{elsewhere}/fhir/{ME}") == []
    assert len(await names("/app?list=all", fhir_user=ME)) == 4
    assert f"active care team names you, {ME}." in Page((await ask(fhir_user=ME)).text).text
    await put(people.store, {"resourceType": "Practitioner", "id": "me", "name": [{"family": "Mocksley"}]})
    assert "active care team names you, Mocksley." in Page((await ask(fhir_user=ME)).text).text
    assert await names(fhir_user="Practitioner/nobody") == []
    await put(people.store, care_team("mine", "p4"))
    assert await names(fhir_user=ME) == ["Ångström"]


@pytest.mark.usefixtures("people")
async def test_a_name_is_found_by_its_parts_and_stands_in_no_address(names, ask):
    assert await names(name="test WELL") == ["Testwell"]
    assert await names(name="angs") == ["Ångström"]
    assert await names(name="%") == []
    page = Page((await ask(name="testwell")).text)
    assert [form["method"] for form in page.attributes("form") if form["action"] == "/app"] == ["get", "post"]
    links = [link["href"] for link in page.attributes("a")]
    assert not [link for link in links if "testwell" in link.lower()]


@pytest.mark.usefixtures("people")
async def test_a_search_without_a_name_or_from_elsewhere_is_refused(ask, browser, token):
    assert (await ask(name="  ")).status_code == 400
    assert (await ask(name="x" * 3_000)).status_code == 413
    async with browser() as client:
        signed = {"Authorization": f"Bearer {token()}"}
        assert (await client.post("/app", data={"name": "x"}, headers=signed)).status_code == 403


@pytest.mark.parametrize(
    "query", ["sort=x", "status=better", "cue=<b>", "unseen=-1", "unseen=x", "page=0", "way=up", "list=yours"]
)
async def test_what_means_nothing_here_is_answered_with_what_it_was(ask, query):
    answer = await ask(f"/app?{query}")
    assert answer.status_code == 400
    assert not Page(answer.text).attributes("b")


async def test_it_goes_page_by_page(names, ask, people):
    await put(people.store, *(patient(f"q{number:03}", f"Other{number:03}") for number in range(60)))
    while behind := await people.store.behind(people.today.isoformat(), people.maker.basis, 30):
        await people.renew(behind)
    first, second = await names(), await names("/app?page=2")
    assert (len(first), len(second), len({*first, *second})) == (50, 14, 64)
    page = Page((await ask("/app?page=2")).text)
    assert {"rel": "prev", "href": "/app"} in page.attributes("a")
    assert "64 people, as of 3 Jul 2026; page 2 of 2." in page.text
    beyond = Page((await ask("/app?page=9")).text)
    assert {"href": "/app?page=2"} in beyond.attributes("a")


async def test_what_changed_is_shown_at_once(names, people):
    assert await names("/app?status=achieved") == ["Testwell"]
    await put(people.store, GOAL | {"lifecycleStatus": "completed"})
    assert await names("/app?status=achieved") == []


def test_no_kind_of_cue_hides_another():
    cues = (
        PanelCue("group-worse", "first"),
        PanelCue("group-worse", "second"),
        PanelCue("red-flag", "fever"),
    )
    assert PanelRow("Testwell", cues=cues).kinds_of_cues() == [("first", 1), ("fever", 0)]


async def test_a_line_that_could_not_be_renewed_in_time_says_so(ask, people, monkeypatch):
    await ask()
    await put(people.store, patient("p1", "Testwell"), patient("p9", "Newcomer"))
    monkeypatch.setattr("service.page.panel._HURRY_S", 0)
    page = Page((await ask()).text)
    lines = {row[0].split(",")[0]: row for row in page.rows[1:]}
    assert "as of 3 Jul 2026, being brought up to date" in lines["Testwell"][0]
    assert "not computed yet" in lines["Newcomer"][0]
    assert "being brought up to date" not in lines["Acorn"][0]
    assert "2 people on file have changed" in page.text
    behind = Page((await ask("/app?list=all&behind=yes")).text)
    assert [row[0].split(",")[0] for row in behind.rows[1:]] == ["Testwell", "Newcomer"]


async def test_a_line_of_yesterday_is_not_shown_as_todays(ask, people, monkeypatch):
    await ask()
    people.now = lambda: now() + timedelta(days=1)
    monkeypatch.setattr("service.page.panel._HURRY_S", 0)
    page = Page((await ask()).text)
    assert page.text.count("as of 3 Jul 2026, being brought up to date") == 4
    monkeypatch.undo()
    page = Page((await ask()).text)
    assert "being brought up to date" not in page.text
    assert "1 day ago (3 Jul 2026)" in page.text


async def test_somebody_whose_goals_can_not_be_computed_keeps_nobody_else_from_being_shown(
    ask, people, monkeypatch
):
    async def broken(maker, store, person, day):
        if person == "p1":
            raise ZeroDivisionError
        return await original(maker, store, person, day)

    original = type(people.maker).__call__
    monkeypatch.setattr(type(people.maker), "__call__", broken)
    page = Page((await ask()).text)
    assert "Testwell, Test test data born 1935 Where the goals stand could not be computed" in page.text
    assert "Acorn" in page.text
    assert "being brought up to date" not in page.text


async def test_a_store_that_can_not_be_written_is_still_listed(ask, people, monkeypatch):
    async def refused(*_):
        raise StoreUnavailable("The disk is full.")

    monkeypatch.setattr(people.store, "write", refused)
    assert (await ask()).status_code == 200
    assert "4 people on file have changed" in Page((await ask()).text).text


async def test_an_empty_store_says_what_to_do(ask):
    text = Page((await ask()).text).text
    assert "Nobody is on file yet" in text
    assert "swallow-interop load visit.yaml" in text
    mine = Page((await ask(fhir_user=ME)).text).text
    assert "No active care team names you" in mine


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ([{"family": "Berg", "given": [None, "Anna"]}], "Berg, Anna"),
        ([{"use": "old", "family": "Before"}, {"use": "official", "family": "Berg"}], "Berg"),
        ([{"text": "Anna of the hill"}], "Anna of the hill"),
        ([{"given": ["Anna"]}], "Anna"),
        ([], "Name not recorded"),
    ],
)
async def test_names_as_they_are_recorded(ask, summaries, name, shown):
    await put(summaries.store, {"resourceType": "Patient", "id": "p1", "name": name})
    assert Page((await ask()).text).rows[1][0] == shown


async def test_hostile_names_stay_text(ask, people):
    await put(people.store, patient("p1", HOSTILE))
    page = Page((await ask()).text)
    assert HOSTILE in page.text
    assert HOSTILE in [
        field.get("value") for field in Page((await ask(name=HOSTILE)).text).attributes("input")
    ]
    assert not page.attributes("script")


@pytest.mark.usefixtures("people")
async def test_fields_are_labelled_and_ids_are_used_once(ask):
    page = Page((await ask()).text)
    ids = [attributes["id"] for _, attributes in page.tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    fields = [*page.attributes("select"), *page.attributes("input")]
    labelled = {label["for"] for label in page.attributes("label")}
    assert {field["id"] for field in fields if field.get("type") != "hidden"} == labelled
    assert not page.attributes("script")


async def test_a_token_that_may_not_read_care_teams_sees_no_list(browser, token):
    scope = (
        "user/Patient.rs user/Goal.rs user/Observation.rs user/Encounter.rs user/Condition.rs user/Flag.rs"
    )
    async with browser() as client:
        answer = await client.get("/app", headers={"Authorization": f"Bearer {token(scope)}"})
    assert answer.status_code == 403
