"""The invented demo, taken in as visit records and exported: none of its people can be found in it."""

import asyncio
import re
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import demo_identifiers
import planted
import pytest
from research_store import Research

from service.fhir.canonical import extension
from service.fhir.validation import errors
from service.interactions.context import Context, allow_everything
from service.operations.upload import Upload, UploadPart
from service.operations.visit_intake import accept
from service.records.reading import read_record
from service.records.shape import headline
from service.settings import Settings
from service.shipped import shipped

RECORDS = sorted(shipped("examples", "visits").glob("*.yaml"))
RELEASED = datetime(2026, 12, 1, 9, 0, tzinfo=UTC)
RANDOM_ID = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-4[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}")


def load(research):
    context = Context("https://demo.example.org/fhir", allow_everything, clock=lambda: RELEASED)

    async def everything():
        for path in sorted(RECORDS, key=visit_time):
            upload = Upload((UploadPart("record", path.read_bytes(), file_name=path.name),))
            await accept(research.store, upload, settings=Settings(), context=context)

    asyncio.run(everything())


def visit_time(path):
    return headline(read_record(path.read_bytes(), "yaml"), zone=ZoneInfo("UTC")).start


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    research = Research(tmp_path_factory.mktemp("demo"))
    load(research)
    stored = asyncio.run(everything_stored(research))
    lines, report = research.export(now=RELEASED)
    asyncio.run(research.store.close())
    return stored, lines, report


async def everything_stored(research):
    return "\n".join([version.content.decode() async for version in research.store.changes()])


def test_nothing_that_names_somebody_is_in_the_export(demo, tell):
    stored, lines, _ = demo
    wanted = demo_identifiers.identifiers(RECORDS)
    known = [text for text in wanted if text in stored]
    assert len(known) > 300
    text = RANDOM_ID.sub("", "\n".join(leaf for line in lines for leaf in planted.leaves(line)))
    assert [one for one in wanted if one in text] == []
    tell(f"{len(wanted)} identifiers in the demo's records, {len(known)} stored as written, 0 exported")


def test_all_five_people_are_exported_with_all_their_trials(demo):
    stored, _, report = demo
    assert (report.people, report.test_people, report.left_out) == (5, 5, {})
    assert report.held_back == {}
    assert report.resources["Observation"] > 1000
    assert stored.count('"resourceType":"Encounter"') == report.resources["Encounter"] == len(RECORDS)


def test_every_line_is_valid_and_labelled(demo):
    _, lines, _ = demo
    assert [issue for line in lines for issue in errors(line)] == []
    for line in lines[1:-1]:
        assert [label["code"] for label in line["meta"]["security"]] == [
            *("L", "PSEUDED", "ABSTRED", "REDACTED", "HRESCH", "HTEST")
        ]


def test_only_years_are_left_of_dates(demo):
    _, lines, _ = demo
    for line in lines[1:-1]:
        text = "\n".join(planted.leaves({name: value for name, value in line.items() if name != "meta"}))
        assert not planted.DATE_WITHIN.search(RANDOM_ID.sub("", re.sub(r"https?://\S+", "", text)))


def patients(demo, state):
    return [
        line for line in demo[1] if line["resourceType"] == "Patient" and line["address"][0]["state"] == state
    ]


@pytest.mark.published("45 CFR 164.514(b)(2)(i)(B) and (C)")
def test_the_person_born_1935_in_a_small_zip_area(demo):
    [oldest] = patients(demo, "WY")
    assert "birthDate" not in oldest
    assert oldest["extension"] == [{"url": extension("age-class"), "valueString": "90 or older"}]
    assert oldest["address"] == [{"state": "WY", "postalCode": "000", "country": "US"}]


@pytest.mark.published("45 CFR 164.514(b)(2)(i)(B)")
def test_the_person_of_zip_03602(demo):
    [found] = patients(demo, "NH")
    assert found["birthDate"] == "1971"
    assert found["address"] == [{"state": "NH", "postalCode": "000", "country": "US"}]


def test_the_k_of_five_different_people_is_one_and_said(demo):
    _, lines, report = demo
    assert (report.k, report.classes, report.people_in_small_classes) == (1, 5, 5)
    assert {"name": "k", "valueInteger": 1} in lines[-1]["parameter"]


def test_who_judged_and_who_saw_is_told_as_a_role(demo):
    _, lines, _ = demo
    roles = {}
    for line in lines:
        if line["resourceType"] == "Observation":
            code = line["code"]["coding"][-1]["code"]
            for item in line.get("extension", []):
                roles.setdefault(code, set()).add(item["valueCode"])
    assert roles["trial-self-judgement"] == {"patient"}
    assert roles["trial-closure"] == {"clinician"}
