"""The invented demo, taken in as visit records and exported: none of its people can be found in it."""

import asyncio
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import demo_identifiers
import planted
import pytest
from research_store import Research

from service.deidentify.dates import day_of
from service.fhir.canonical import extension, profile
from service.fhir.json import parse
from service.fhir.validation import errors
from service.fhir.validation.profiles import Definitions
from service.fhir.validation.requested import check_requested
from service.interactions.context import Context, allow_everything
from service.jobs.research_policies import VARIANTS
from service.jobs.research_report import Report
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


@dataclass
class Demo:
    """The demo's people, stored, and a release of them by each policy."""

    research: Research
    stored: dict[str, dict]
    stored_text: str
    releases: dict[str, tuple[list[dict], Report]]


@pytest.fixture(scope="module")
def all_of_them(tmp_path_factory):
    research = Research(tmp_path_factory.mktemp("demo"))
    load(research)
    stored = asyncio.run(everything_stored(research))
    approved = {"limited-data-set": "DUA 7", "shifted-dates": "expert determination 7"}
    releases = {
        name: research.export(
            seed=seed, now=RELEASED, variant=name, project=name, approval=approved.get(name, "")
        )
        for seed, name in enumerate(VARIANTS)
    }
    asyncio.run(research.store.close())
    text = "\n".join(leaf for tree in stored.values() for leaf in planted.leaves(tree))
    return Demo(research, stored, text, releases)


async def everything_stored(research):
    versions = [version async for version in research.store.changes()]
    return {f"{one.type}/{one.id}": parse(one.content) for one in versions if not one.deleted}


@pytest.fixture
def demo(all_of_them):
    return all_of_them.stored, *all_of_them.releases["safe-harbor"]


def allowed(variant, stored):
    """What a policy lets out of what the records say: a limited data set dates, towns and ZIP codes."""
    patients = [tree for key, tree in stored.items() if key.startswith("Patient/")]
    places = {place[name] for one in patients for place in one["address"] for name in ("city", "postalCode")}
    words = {word for place in places for word in place.split()}
    return places | words if variant == "limited-data-set" else set()


@pytest.mark.parametrize("variant", VARIANTS)
def test_nothing_that_names_somebody_is_in_the_export(variant, all_of_them, tell):
    wanted = demo_identifiers.identifiers(RECORDS) - allowed(variant, all_of_them.stored)
    if variant in ("limited-data-set", "shifted-dates"):  # a moved date may be another's true one
        wanted = {text for text in wanted if not planted.DATE_WITHIN.search(text)}
    known = [text for text in wanted if text in all_of_them.stored_text]
    assert len(known) > 100
    lines, _ = all_of_them.releases[variant]
    text = RANDOM_ID.sub("", "\n".join(leaf for line in lines for leaf in planted.leaves(line)))
    assert [one for one in wanted if one in text] == []
    tell(f"{variant}: {len(wanted)} identifiers in the demo's records, {len(known)} stored, 0 exported")


@pytest.mark.parametrize("variant", VARIANTS)
def test_one_of_each_kind_keeps_the_profile_it_claims(variant, all_of_them, tell):
    lines, _ = all_of_them.releases[variant]
    kinds = {str((line["resourceType"], line.get("code"), list(line))): line for line in lines[1:-1]}
    definitions = Definitions()
    for line in kinds.values():
        noticed = check_requested(line, (), definitions)
        assert [one for one in noticed if one.severity == "error"] == [], line
    claimed = {url for line in lines[1:-1] for url in line["meta"]["profile"]}
    assert claimed == {profile(f"deidentified-{line['resourceType'].lower()}") for line in lines[1:-1]}
    tell(f"{variant}: {len(kinds)} kinds of resources keep their de-identified profiles")


@pytest.mark.parametrize("variant", VARIANTS)
def test_a_resource_of_another_policy_s_or_none_breaks_its_profile(variant, all_of_them):
    lines, _ = all_of_them.releases[variant]
    of_each_type = {line["resourceType"]: line for line in lines[1:-1]}
    words = {"text": {"status": "empty", "div": '<div xmlns="http://www.w3.org/1999/xhtml">x</div>'}}
    bent = [one | words for one in of_each_type.values()]
    bent.append(of_each_type["Patient"] | {"name": [{"family": "Sampleby"}]})
    definitions = Definitions()
    for one in bent:
        noticed = check_requested(one, (), definitions)
        assert [issue for issue in noticed if issue.severity == "error"], one["resourceType"]


def test_only_the_vault_tells_who_is_who_and_by_how_much_dates_were_moved(all_of_them):
    lines, _ = all_of_them.releases["shifted-dates"]
    vault = all_of_them.research.vaults.known("shifted-dates")
    names = {line["id"]: vault.find(line["id"]) for line in lines if line["resourceType"] == "Encounter"}
    moved = {}
    for line in lines:
        if line["resourceType"] == "Encounter":
            before = day_of(all_of_them.stored[names[line["id"]]]["period"]["start"])
            days = (day_of(line["period"]["start"]) - before).days
            moved.setdefault(line["subject"]["reference"], set()).add(days)
    people = {vault.find(reference.split("/")[1]): days for reference, days in moved.items()}
    assert len(people) == 5
    assert all(days == {vault.of(key.split("/")[1]).shift} for key, days in people.items())
    assert all(-365 <= min(days) < 0 for days in people.values())
    others = [all_of_them.research.vaults.known(name) for name in VARIANTS if name != "shifted-dates"]
    assert [vault.find(id_) for vault in others for id_ in names] == [None] * len(others) * len(names)


@pytest.mark.parametrize("variant", VARIANTS)
def test_raters_have_codes_where_the_policy_says_so(variant, all_of_them):
    lines, _ = all_of_them.releases[variant]
    codes = {
        item["valueString"]
        for line in lines
        if line["resourceType"] == "Observation"
        for item in line.get("extension", [])
        if item["url"] == extension("rater")
    }
    raters = all_of_them.research.vaults.known(variant).raters()
    assert codes <= set(raters.values())
    assert all(RANDOM_ID.fullmatch(code) for code in codes)
    assert (len(codes) > 1) is (variant in ("limited-data-set", "shifted-dates"))


def test_no_two_policies_share_an_id(all_of_them):
    ids = [line["id"] for lines, _ in all_of_them.releases.values() for line in lines[:-1]]
    assert len(ids) == len(set(ids))


def test_all_five_people_are_exported_with_all_their_trials(demo):
    stored, _, report = demo
    assert (report.people, report.test_people, report.left_out) == (5, 5, {})
    assert report.held_back == {}
    assert report.resources["Observation"] > 1000
    visits = [key for key in stored if key.startswith("Encounter/")]
    assert len(visits) == report.resources["Encounter"] == len(RECORDS)


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
