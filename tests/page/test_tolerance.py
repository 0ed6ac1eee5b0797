"""How visits were borne, on the page: every value held against the record it came from.

What another system may send besides (seriousness, outcome, day of recording: FHIR R4, AdverseEvent; vital
signs at times of their own) is filed by hand.
"""

from datetime import date, datetime

import pytest
import yaml
from demo_store import PATIENTS, Demo, records_in_order
from filed import FILED, OBSERVATION, ZONE, coded, component, now, observation, put
from page_reader import Page

from service.page.amended_rows import AmendedView
from service.page.rendering import html
from service.page.stored import StoredViews
from service.records.views import Encounter
from service.security.principal import Principal
from service.security.scopes import Scopes
from service.store.pages import about, viewed
from service.store.sqlite import SqliteStore

pytestmark = pytest.mark.anyio

NEEDED = "Patient Goal Observation Encounter Condition Flag CarePlan ServiceRequest QuestionnaireResponse"
RELATIVE = "her daughter Zelda saw it"
VISIT = "visit-2026-07-03"
EVENTS, CATEGORY = (
    "http://terminology.hl7.org/CodeSystem/adverse-event-seriousness",
    "http://terminology.hl7.org/CodeSystem/observation-category",
)


def record(path):
    """A record as it was written: yes and no are words, numbers keep their digits."""
    return yaml.load(path.read_text("utf-8"), Loader=yaml.BaseLoader)  # noqa: S506 - it makes texts alone


RECORDS = [(path.stem, record(path)) for path in records_in_order()]


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    loaded = Demo.of(tmp_path_factory.mktemp("demo"))
    yield loaded
    loaded.run(loaded.store.close())


def shown(view) -> Page:
    told = {"view": view, "amended": AmendedView(), "decisions": (), "decided": ""}
    return Page(html("visit.html", caller="clinician", **told).body.decode())


async def patient_of(store, person):
    """The id of a demo person."""

    async def find(txn):
        (found,) = await txn.find("Patient", PATIENTS, person)
        return found.id

    return await store.write("find", find)


async def visit_of(store, told):
    """The page of the visit that a record tells of."""
    patient = await patient_of(store, told["patient"]["value"])
    start = datetime.fromisoformat(told["visit"]["start"])
    encounters = await viewed(store, Encounter, about("Encounter", patient))
    (one,) = (one for one in encounters if datetime.fromisoformat(one.period.start) == start)
    return shown(await StoredViews(store, ZONE, now).visit(patient, one.id))


@pytest.mark.parametrize("told", [told for _, told in RECORDS], ids=[name for name, _ in RECORDS])
async def test_every_value_is_that_of_the_record(demo, told):
    page = await visit_of(demo.store, told)
    scope, signs = told["visit"].get("endoscopy"), told["visit"].get("vital_signs")
    if scope is None:  # an X-ray study: there was no endoscope
        for name in ("Endoscope in place", "Anaesthetic or other agent", "Tolerance", "Adverse events"):
            assert f"{name} not recorded" in page.text
        return
    assert f"Endoscope in place {scope['in_place']} " in page.text
    given = scope["anaesthetic"]
    agents = ["none given, as recorded"] if given == "none" else []
    agents += [
        f"{one['agent']}, {one['dose']} {one['unit']}, {one['side']} (record)"
        for one in given
        if agents == []
    ]
    assert [f"Anaesthetic or other agent {one} " in page.text for one in agents] == [True]
    values = [row[1:] for row in page.rows if row[0] in ("Blood pressure", "Heart rate", "Oxygen saturation")]
    if signs is None:
        assert values == []
        assert "Vital signs not recorded" in page.text
    else:
        assert "Vital signs, recorded with the visit without times of their own" in page.text
        assert values == [
            [f"{signs['systolic']}/{signs['diastolic']} mmHg"],
            [f"{signs['heart_rate']} /min"],
            [f"{signs['oxygen_saturation']} %"],
        ]
    if scope["tolerance"] == "no adverse event":
        assert "Tolerance no adverse event " in page.text
        assert "Adverse events no adverse event, as recorded" in page.text
        assert "Adverse event:" not in page.text
    else:
        (event,) = scope["tolerance"]
        day = told["visit"]["start"][:10]
        assert f"Tolerance {event['event']} " in page.text
        assert f"Adverse event: {event['event']}." in page.text
        (row,) = (row for row in page.rows if row[0] == event["event"].capitalize())
        assert row[1:4] == ["not recorded"] * 3
        assert (row[4], row[5]) == (written(day), "not recorded")
        assert event["action"] not in page.text
    assert ("Stopped early:" in page.text) == (scope["in_place"] == "stopped early")


def written(day):
    one = date.fromisoformat(day)
    return f"{one.day} {one:%b %Y}"


async def test_a_visit_that_was_stopped_says_so_first_and_in_words(demo):
    (told,) = (told for name, told in RECORDS if name == "demo-04-visit-5")
    page = await visit_of(demo.store, told)
    cue = "Stopped early: the endoscopy; swallow skill training session."
    assert (
        page.text.index(cue) < page.text.index("Exclude this visit") < page.text.index("Endoscope in place")
    )
    assert {"href": "#tolerance"} in page.attributes("a")
    assert "Reason for stopping recorded in words, not coded" in page.text
    assert told["visit"]["endoscopy"]["reason"] not in page.text  # words may name others


@pytest.mark.parametrize(
    ("person", "day", "marked"),
    [
        ("demo-01", "2026-02-17", {"17 Feb 2026": "adverse event"}),
        ("demo-01", "2026-02-16", {}),
        ("demo-03", "2026-06-29", {"11 May 2026": "adverse event"}),
        ("demo-04", "2026-09-28", {"28 Sep 2026": "stopped early"}),
        ("demo-02", "2026-07-28", {}),
    ],
)
async def test_visits_are_marked_on_the_page_of_the_person(demo, person, day, marked):
    patient = await patient_of(demo.store, person)
    view = await StoredViews(demo.store, ZONE, now).patient(patient, date.fromisoformat(day))
    page = Page(html("patient.html", caller="clinician", view=view, decisions=(), decided="").body.decode())
    cells = [row[0] for row in page.rows if len(row) == 9]
    assert {cell for cell in cells if "event" in cell or "stopped" in cell} == {
        f"{when} {word}" for when, word in marked.items()
    }
    links = [link["href"] for link in page.attributes("a") if link["href"].endswith("#tolerance")]
    assert len(links) == len(marked)


def event(id_, **more):
    return {
        "resourceType": "AdverseEvent",
        "id": id_,
        "actuality": "actual",
        "event": coded("nosebleed-anterior", text=RELATIVE) | {"text": RELATIVE},
        "subject": {"reference": "Patient/p1"},
        "encounter": {"reference": f"Encounter/{VISIT}"},
        "date": "2026-07-03T10:20:00-04:00",
        **more,
    }


def words(text, system=EVENTS):
    return {"coding": [{"system": system, "code": text.lower(), "display": text}], "text": RELATIVE}


def sign(id_, value, when, **more):
    return observation(
        id_,
        "heart-rate",
        "2026-07-03",
        encounter={"reference": f"Encounter/{VISIT}"},
        category=[{"coding": [{"system": CATEGORY, "code": "vital-signs"}]}],
        valueQuantity={"value": value, "system": "http://unitsofmeasure.org", "code": "/min"},
    ) | {"effectiveDateTime": when, **more}


ENCOUNTER = {
    "resourceType": "Encounter",
    "id": VISIT,
    "status": "finished",
    "class": {"code": "AMB"},
    "subject": {"reference": "Patient/p1"},
    "period": {"start": "2026-07-03T10:00:00-04:00", "end": "2026-07-03T10:45:00-04:00"},
}


@pytest.fixture
async def store(tmp_path):
    opened = SqliteStore(tmp_path / "store.sqlite", clock=now)
    await put(opened, *FILED, ENCOUNTER)
    yield opened
    await opened.close()


@pytest.fixture
def views(store):
    return StoredViews(store, ZONE, now)


def caller(scope):
    return Principal("someone", "issuer", Scopes.parse(scope), "", 0)


NARROW = caller(" ".join(f"user/{type_}.rs" for type_ in NEEDED.split()))


async def test_what_nobody_recorded_is_not_told_as_none(views):
    page = shown(await views.visit("p1", VISIT, caller("user/*.rs")))
    section = page.text[page.text.index("Tolerance and events") :]
    for name in (
        "Endoscope in place",
        "Anaesthetic or other agent",
        "Tolerance",
        "Vital signs",
        "Adverse events",
    ):
        assert f"{name} not recorded" in section
    assert "Your rights" not in page.text


async def test_an_event_with_its_seriousness_outcome_and_day_of_recording(views, store):
    full = {"seriousness": words("Serious"), "severity": words("Moderate"), "outcome": words("Resolved")}
    await put(store, event("e1", recordedDate="2026-07-04", **full), event("e2", actuality="potential"))
    page = shown(await views.visit("p1", VISIT))
    rows = [row for row in page.rows if row[0].startswith("nosebleed-anterior")]
    assert rows == [
        ["nosebleed-anterior", "serious", "moderate", "resolved", "3 Jul 2026", "4 Jul 2026", "record"],
        [
            "nosebleed-anterior (could have happened, did not)",
            *["not recorded"] * 3,
            "3 Jul 2026",
            "not recorded",
            "record",
        ],
    ]
    assert page.text.count("Adverse event:") == 1
    assert RELATIVE not in page.text


async def test_vital_signs_lie_before_during_and_after_the_visit(views, store):
    await put(
        store,
        sign("h1", 70, "2026-07-03T09:50:00-04:00"),
        sign("h2", 71, "2026-07-03T10:20:00-04:00"),
        sign("h3", 72, "2026-07-03T11:05:00-04:00"),
        sign("h0", 69, "2026-07-03T10:00:00-04:00"),
        sign("h4", 99, "2026-07-03T11:05:00-04:00", status="entered-in-error"),
        sign("h5", 98, "2026-07-03T11:05:00-04:00", encounter={"reference": "Encounter/visit-2026-06-19"}),
    )
    page = shown(await views.visit("p1", VISIT))
    assert [row[1:] for row in page.rows if row[0] == "heart-rate"] == [
        ["70 /min", "3 Jul 2026, 09:50, before the visit"],
        ["69 /min", "with the visit, no time of its own"],
        ["71 /min", "3 Jul 2026, 10:20, during the visit"],
        ["72 /min", "3 Jul 2026, 11:05, after the visit"],
    ]


async def test_vital_signs_of_other_systems_have_names_and_are_written_as_recorded(views, store):
    def loinc(code):
        return {"code": {"coding": [{"system": "http://loinc.org", "code": code}], "text": RELATIVE}}

    def pressure(code, value):
        return loinc(code) | {"valueQuantity": {"value": value, "code": "mm[Hg]"}}

    whole = [pressure("8462-4", 70), pressure("8480-6", 118)]
    half = [pressure("8480-6", 118), loinc("8462-4")]
    when = "2026-07-03T10:20:00-04:00"
    below = {"value": 85, "comparator": "<", "code": "%"}
    await put(
        store,
        {
            key: one
            for key, one in sign("b1", 0, when, **loinc("85354-9"), component=whole).items()
            if key != "valueQuantity"
        },
        {
            key: one
            for key, one in sign("b2", 0, when, **loinc("85354-9"), component=half).items()
            if key != "valueQuantity"
        },
        sign("h1", 0, when, **loinc("8867-4")) | {"valueQuantity": {"value": 1e300, "code": "/min"}},
        sign("o1", 0, when, **loinc("59408-5")) | {"valueQuantity": below},
    )
    page = shown(await views.visit("p1", VISIT))
    told = {tuple(row[:2]) for row in page.rows if row[2:] == ["3 Jul 2026, 10:20, during the visit"]}
    assert told == {
        ("Blood pressure", "118/70 mmHg"),
        ("Blood pressure", "systolic blood pressure 118 mmHg; diastolic blood pressure not recorded"),
        ("Heart rate", "1E+300 /min"),
        ("Oxygen saturation", "<85 %"),
    }
    assert RELATIVE not in page.text


async def test_a_side_without_a_dose_is_told_and_other_notes_are_not(views, store):
    def given(id_, note):
        return {
            "resourceType": "MedicationAdministration",
            "id": id_,
            "status": "completed" if id_ == "m1" else "not-done",
            "medicationCodeableConcept": {"text": "lidocaine"},
            "subject": {"reference": "Patient/p1"},
            "context": {"reference": f"Encounter/{VISIT}"},
            "effectiveDateTime": "2026-07-03",
            "note": [{"text": note}],
        }

    await put(store, given("m1", "Side: left"), given("m2", RELATIVE))
    page = shown(await views.visit("p1", VISIT))
    assert "lidocaine, dose not recorded, left (record)" in page.text
    assert "lidocaine, dose not recorded, not given (record)" in page.text
    assert RELATIVE not in page.text


async def test_what_the_rights_do_not_open_is_not_shown_and_said(views, store):
    given = {
        "resourceType": "MedicationAdministration",
        "id": "m1",
        "status": "completed",
        "medicationCodeableConcept": {"text": "lidocaine"},
        "subject": {"reference": "Patient/p1"},
        "context": {"reference": f"Encounter/{VISIT}"},
        "effectiveDateTime": "2026-07-03",
    }
    stopped = {
        "resourceType": "Procedure",
        "id": "s1",
        "status": "stopped",
        "statusReason": {"text": RELATIVE},
        "code": coded("swallow-skill-training", OBSERVATION),
        "subject": {"reference": "Patient/p1"},
        "encounter": {"reference": f"Encounter/{VISIT}"},
    }
    await put(store, event("e1"), event("e2", encounter={"reference": "Encounter/elsewhere"}), given, stopped)
    open_ = shown(await views.visit("p1", VISIT, caller("user/*.rs")))
    assert "Anaesthetic or other agent lidocaine, dose not recorded" in open_.text
    assert "Stopped early: swallow-skill-training." in open_.text
    assert RELATIVE not in open_.text
    page = shown(await views.visit("p1", VISIT, NARROW))
    for name in ("adverse events", "what was given", "procedures"):
        assert f"Your rights do not open {name}: there may be more than is shown here." in page.text
    for name in ("nosebleed", "lidocaine", "Stopped early", "AdverseEvent/e1"):
        assert name not in page.text
    assert "Adverse events not shown to you" in page.text
    assert "Anaesthetic or other agent not shown to you" in page.text
    person = await views.patient("p1", date(2026, 7, 3), caller("user/*.rs"))
    assert person.marked(VISIT) == ("adverse event", "stopped early")
    assert [one.reference for one in person.marked_elsewhere] == ["AdverseEvent/e2"]
    narrow = await views.patient("p1", date(2026, 7, 3), NARROW)
    assert narrow.marks == ()
    assert narrow.marks_closed == tuple(
        f"Your rights do not open {name}: there may be more than is shown here."
        for name in ("adverse events", "procedures")
    )


async def test_an_event_seen_at_a_visit_without_trials_is_marked_below_the_table(views, store):
    seen = observation(
        "scope",
        "endoscopy-conditions",
        "2026-08-01",
        encounter={"reference": "Encounter/study"},
        component=[
            component("adverse-event-seen", "gagging"),
            component("endoscope-in-place", "stopped-early"),
        ],
    )
    study = ENCOUNTER | {"id": "study", "period": {"start": "2026-07-02T10:00:00-04:00"}}
    await put(store, study, seen)
    view = await views.patient("p1", date(2026, 7, 3))
    (mark,) = view.marked_elsewhere
    assert (mark.encounter, mark.day, mark.words) == (
        "study",
        date(2026, 7, 2),
        ("adverse event", "stopped early"),
    )
    page = Page(html("patient.html", caller="clinician", view=view, decisions=(), decided="").body.decode())
    assert "Also marked: 2 Jul 2026 adverse event stopped early" in page.text


@pytest.mark.parametrize("person", ["demo-01", "demo-02", "demo-03", "demo-04", "demo-05"])
async def test_the_screen_stands_beside_the_clearance(demo, person):
    """The newest safety screen of the records, its items answered yes."""
    screens = [
        told["safety_screen"] for name, told in RECORDS if name.startswith(person) and "safety_screen" in told
    ]
    newest = max(screens, key=lambda one: one["date"])
    yes = [key.replace("_", " ") for key, said in newest["items"].items() if said == "yes"]
    patient = await patient_of(demo.store, person)
    view = await StoredViews(demo.store, ZONE, now).patient(patient, date(2026, 12, 1))
    marked = "; ".join(yes) or "no item of the list"
    assert view.banner.screen == f"Safety screen of {written(newest['date'])}, answered yes: {marked}"
    assert bool(view.banner.effort_limit) == (person == "demo-05")
    page = Page(html("patient.html", caller="clinician", view=view, decisions=(), decided="").body.decode())
    assert view.banner.screen in page.text
