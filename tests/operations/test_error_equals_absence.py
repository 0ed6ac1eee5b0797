"""What was entered in error gives the same answer as what was never recorded: over whole stored records."""

from datetime import date
from zoneinfo import ZoneInfo

import pytest
from demo_store import Demo
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from service.attainment.patient import attain
from service.records.attainment_file import AttainmentFile
from service.records.attainment_inputs import attainment_inputs
from service.records.views import CarePlan, Encounter, Goal, Observation, QuestionnaireResponse, views

KINDS = (Goal, Observation, Encounter, CarePlan, QuestionnaireResponse)
LAST = {"demo-01": date(2026, 4, 1), "demo-04": date(2026, 10, 1), "demo-05": date(2026, 9, 20)}
UTC = ZoneInfo("UTC")


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """Everything that is stored of a few people, as it lies in the store."""
    demo = Demo.of(tmp_path_factory.mktemp("demo"), *LAST)

    async def contents():
        return [version async for version in demo.store.changes() if not version.deleted]

    stored, ids = demo.run(contents()), {person: demo.patient(person) for person in LAST}
    demo.run(demo.store.close())
    return {person: _file(stored, id_) for person, id_ in ids.items()}


def _file(stored, patient):
    whose = f'"Patient/{patient}"'.encode()
    own = [version for version in stored if whose in version.content]
    return AttainmentFile(
        *(views(kind, [one.content for one in own if one.type == kind.__name__]) for kind in KINDS)
    )


def answer(file, person):
    return attain(attainment_inputs(file, zone=UTC, as_of=LAST[person]), LAST[person])


def changed(file, **kinds):
    fields = {name: getattr(file, name) for name in AttainmentFile.__slots__}
    return AttainmentFile(**{**fields, **kinds})


def in_error(resource):
    field = "lifecycle_status" if isinstance(resource, Goal) else "status"
    return replace(resource, **{field: "entered-in-error"})


def pick(data, found):
    """Which of them were entered in error."""
    return data.draw(st.lists(st.booleans(), min_size=len(found), max_size=len(found)))


def marked(found, wrong):
    return [in_error(one) if bad else one for one, bad in zip(found, wrong, strict=True)]


def kept(found, wrong):
    return [one for one, bad in zip(found, wrong, strict=True) if not bad]


@pytest.mark.parametrize("person", LAST)
def test_the_records_give_an_answer_worth_the_name(files, person):
    found = answer(files[person], person)
    assert min(len(found.goals), len(found.visits), len(found.practice), len(found.studies)) > 1
    assert found.phases[1:]


@pytest.mark.parametrize("kind", ["goals", "observations", "plans", "screens"])
@pytest.mark.parametrize("person", LAST)
@settings(max_examples=6, deadline=None)
@given(data=st.data())
def test_resources_entered_in_error(files, person, kind, data):
    file = files[person]
    found = getattr(file, kind)
    wrong = pick(data, found)
    with_errors = changed(file, **{kind: marked(found, wrong)})
    without = changed(file, **{kind: kept(found, wrong)})
    assert answer(with_errors, person) == answer(without, person)


def of_visits(found, gone):
    return [one for one in found if one.encounter.reference not in gone]


@pytest.mark.parametrize("person", LAST)
@settings(max_examples=6, deadline=None)
@given(data=st.data())
def test_visits_entered_in_error_take_everything_of_them_along(files, person, data):
    file = files[person]
    wrong = pick(data, file.encounters)
    gone = {one.reference for one, bad in zip(file.encounters, wrong, strict=True) if bad}
    without = changed(
        file,
        encounters=kept(file.encounters, wrong),
        observations=of_visits(file.observations, gone),
        plans=of_visits(file.plans, gone),
        screens=of_visits(file.screens, gone),
    )
    with_errors = changed(file, encounters=marked(file.encounters, wrong))
    assert answer(with_errors, person) == answer(without, person)


@pytest.mark.parametrize("person", LAST)
@settings(max_examples=6, deadline=None)
@given(chance=st.randoms())
def test_the_order_in_which_things_are_stored_does_not_matter(files, person, chance):
    file = files[person]
    series = {name: getattr(file, name) for name in file.__slots__ if name != "patient"}
    mixed = {name: chance.sample(found, len(found)) for name, found in series.items()}
    assert answer(changed(file, **mixed), person) == answer(file, person)
