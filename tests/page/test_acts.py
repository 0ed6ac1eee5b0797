"""Deciding by the page's forms over the whole service: shown with who, when and why, and undone again."""

import re
import shutil
from datetime import UTC, datetime
from html import unescape
from urllib.parse import urlsplit

import httpx
import pytest
from demo_store import PATIENTS, Demo, records_in_order, taken_in
from page_reader import Page
from sample_visits import visit_tree

from service.app import create_app
from service.operations.goal_attainment import READS
from service.settings import Settings

pytestmark = pytest.mark.anyio
NOW = datetime(2026, 12, 1, 9, 0, tzinfo=UTC)
STAFF = "https://clinic.example.org/staff"
HOST = "http://127.0.0.1:8080"
SCOPES = "user/*.rs goal-decisions"


class Clinician:
    """Somebody signed in who reads pages and sends their forms, as a browser without script does."""

    def __init__(self, app, sign, patient) -> None:
        self._sign = sign
        headers = {"Authorization": f"Bearer {sign(SCOPES)}", "Origin": HOST}
        self.http = httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url=HOST, headers=headers)
        self.patient = patient
        self.answer = httpx.Response(0)

    async def get(self, path) -> Page:
        self.answer = await self.http.get(path)
        return Page(self.answer.text)

    def may_only(self, scopes) -> None:
        """Go on with a token that allows this alone."""
        self.http.headers["Authorization"] = f"Bearer {self._sign(scopes)}"

    async def person(self, day="2026-09-11") -> Page:
        return await self.get(f"/app/patients/{self.patient}?date={day}")

    async def link(self, page, words) -> Page:
        """Follow the first link whose address holds these words."""
        address = next(one["href"] for one in page.attributes("a") if words in one["href"])
        return await self.get(address)

    async def send(self, page, act, follow=True, **fields) -> Page:
        """Fill in the form of this name and send it."""
        sent = {**hidden(self.answer.text, act), **fields}
        to = next(form["action"] for form in page.attributes("form") if form.get("aria-labelledby") == act)
        self.answer = await self.http.post(to, data=sent)
        if follow and self.answer.status_code == 303:
            return await self.get(self.answer.headers["location"].partition("#")[0])
        return Page(self.answer.text)


def hidden(text, act) -> dict[str, str]:
    """The hidden fields of a form."""
    form = next(one for one in text.split("<form ") if f'name="act" value="{act}"' in one)
    found = re.findall(r'type="hidden" name="([^"]+)" value="([^"]*)"', form)
    return {name: unescape(value) for name, value in found}


def drafted(path, folder):
    """The same record as a draft."""
    copy = folder / path.name
    copy.write_text(f"{path.read_text('utf-8')}\nsignature: {{state: draft}}\n", "utf-8")
    return copy


@pytest.fixture
def draft():
    """The record that comes as a draft, none if empty."""
    return ""


@pytest.fixture
def store(tmp_path, draft):
    """The demo person's visits."""
    if not draft:
        return Demo.of(tmp_path, "demo-05").store
    demo = Demo(tmp_path)
    for path in records_in_order("demo-05"):
        demo.run(taken_in(demo.store, drafted(path, tmp_path) if path.stem == draft else path))
    return demo.store


@pytest.fixture
async def clinician(tmp_path, store, key_file, issuer):
    shutil.copy2(key_file, tmp_path)
    settings = Settings(data_dir=tmp_path, development_issuer=True, time_zone="UTC")

    async def find(txn):
        (patient,) = await txn.find("Patient", PATIENTS, "demo-05")
        (therapist,) = await txn.find("Practitioner", STAFF, "slp-01")
        return patient.id, f"Practitioner/{therapist.id}"

    patient, therapist = await store.write("find", find)
    app = create_app(settings, store, clock=lambda: NOW)
    async with app.router.lifespan_context(app):

        def sign(scopes):
            return issuer.sign("wren", scopes, now=NOW.timestamp(), fhir_user=therapist)

        somebody = Clinician(app, sign, patient)
        yield somebody
        await somebody.http.aclose()
    await store.close()


def status_cells(page) -> list[str]:
    rows = page.rows
    return [rows[at + 1][5] for at, row in enumerate(rows) if row[:1] == ["Baseline"]]


async def test_a_status_of_ones_own_is_stated_shown_and_undone(clinician):
    page = await clinician.person()
    assert status_cells(page)[0] == "achieved goal is active"
    form = await clinician.link(page, "/goals/")
    assert "Computed status worsening" in form.text
    page = await clinician.send(form, "override", achievement="not-attainable", reason="Progressive disease.")
    assert status_cells(page)[0] == "not attainable goal is active"
    assert "Status stated: Closes the vocal folds on request" in page.text
    row = next(row for row in page.rows if row[1:2] == ["Status stated"])
    assert (row[0], row[3], row[4]) == ("1 Dec 2026, 09:00", "Wren Exampleton", "Progressive disease.")
    undoing = await clinician.link(page, "/decisions/")
    assert "Status stated" in undoing.text
    page = await clinician.send(undoing, "undo", reason="Entered for the wrong person.")
    assert status_cells(await clinician.person())[0] == "achieved goal is active"
    rows = [row for row in (await clinician.person()).rows if row[0] == "1 Dec 2026, 09:00"]
    assert [row[1] for row in rows] == ["Undone", "Status stated"]
    assert rows[1][5] == "was undone"


async def test_the_computed_status_is_accepted(clinician):
    form = await clinician.link(await clinician.person(), "/goals/")
    page = await clinician.send(form, "accept")
    assert status_cells(page)[0] == "worsening goal is active"
    assert "Computed and stated differ: the numbers say worsening" not in page.text
    row = next(row for row in page.rows if row[1:2] == ["Computed status accepted"])
    assert row[4] == "no reason given"


async def test_what_is_missing_is_said_beside_its_field_and_what_was_sent_stays(clinician):
    form = await clinician.link(await clinician.person(), "/goals/")
    page = await clinician.send(form, "override", achievement="no-progress", reason="  ")
    assert clinician.answer.status_code == 422
    assert "Give the reason in words." in page.text
    chosen = [one["value"] for one in page.attributes("option") if "selected" in one]
    assert "no-progress" in chosen
    reason = next(one for one in page.attributes("textarea") if one["id"] == "override-reason")
    assert reason["aria-invalid"] == "true"
    assert "override-reason-problem" in reason["aria-describedby"]
    assert status_cells(await clinician.person())[0] == "achieved goal is active"


async def test_nobody_decides_over_a_decision_they_have_not_seen(clinician):
    form = await clinician.link(await clinician.person(), "/goals/")
    old = clinician.answer
    await clinician.send(form, "accept")
    clinician.answer = old
    page = await clinician.send(form, "override", achievement="achieved", reason="I think so.")
    assert clinician.answer.status_code == 412
    assert "has changed since" in page.text
    assert status_cells(await clinician.person("2026-12-01"))[0] == "worsening goal is active"


async def test_a_visit_is_excluded_counts_nowhere_and_comes_back(clinician):
    visit = await clinician.link(await clinician.person(), "/visits/")
    address = urlsplit(str(clinician.answer.url)).path
    form = await clinician.link(visit, "/exclusion")
    page = await clinician.send(form, "exclude", code="unwell", reason="Feverish that day.")
    assert "This visit is excluded: Feverish that day." in page.text
    person = await clinician.person()
    assert "Excluded: 5 Jun 2026, Feverish that day." in person.text
    assert "5 Jun 2026" not in [row[0] for row in person.rows if len(row) == 9]
    assert "Nothing can be decided here now." in (await clinician.get(f"{address}/exclusion")).text
    undoing = await clinician.link(await clinician.get(address), "/decisions/")
    page = await clinician.send(undoing, "undo")
    assert "This visit is excluded" not in page.text
    assert "5 Jun 2026" in [row[0] for row in (await clinician.person()).rows if len(row) == 9]


@pytest.mark.parametrize("draft", ["demo-05-visit-7"])
async def test_a_draft_is_marked_counts_nowhere_and_is_signed_for_good(clinician):
    person = await clinician.person()
    assert "Excluded: 11 Sep 2026, draft, not signed." in person.text
    visits = [one["href"] for one in person.attributes("a") if "/visits/" in one["href"]]
    (visit,) = [
        page for one in visits if "this visit is not signed" in (page := await clinician.get(one)).text
    ]
    form = await clinician.link(visit, "/signature")
    assert "Waits for signature" in form.text
    page = await clinician.send(form, "sign", signer="licensed")
    assert "Draft" not in page.text
    row = next(row for row in page.rows if row[1:2] == ["Visit signed"])
    assert (row[3], row[5]) == ("Wren Exampleton", "stays")
    assert "11 Sep 2026" in [row[0] for row in (await clinician.person()).rows if len(row) == 9]


@pytest.mark.parametrize("draft", ["demo-05-visit-7"])
async def test_an_amendment_is_shown_against_what_was_signed_and_signed_again(clinician):
    person = await clinician.person()
    (address,) = [
        one["href"]
        for one in person.attributes("a")
        if "/visits/" in one["href"] and "not signed" in (await clinician.get(one["href"])).text
    ]
    await clinician.send(await clinician.get(f"{address}/signature"), "sign", signer="licensed")
    tree = visit_tree("demo-05-visit-7") | {"signature": {"state": "amended", "reason": "hold mistyped"}}
    tree["training"]["trials"][0]["hold_s"] = 9
    clinician.may_only("intake")
    taken = await clinician.http.post("/intake/visits", json=tree)
    assert taken.status_code == 200, taken.text
    clinician.may_only(SCOPES)
    for act, who in (("sign", "Perry Sandbox"), ("", "Wren Exampleton")):
        page = await clinician.get(address)
        assert ("this visit is not signed since" in page.text) is bool(act)
        assert "What changed since 1 Dec 2026, 09:00, when it was signed" in page.text
        changed = [row for row in page.rows if "(pre/1)" in row[0] and row[3:4] == ["9"]]
        assert [row[4] for row in changed] == [f"{who}, 1 Dec 2026, 09:00"]
        if act:
            await clinician.send(await clinician.get(f"{address}/signature"), act, signer="licensed")


async def test_a_trial_is_marked_not_observable_and_leaves_the_numbers(clinician):
    visit = await clinician.link(await clinician.person(), "/visits/")
    form = await clinician.link(visit, "/trials/")
    assert "Block Before feedback Posture head neutral, jaw closed Trial 1" in form.text
    page = await clinician.send(form, "mark", code="secretions", reason="")
    assert "not observable: secretions" in page.text
    row = next(row for row in page.rows if row[1:2] == ["Trial marked not observable"])
    assert row[2] == "trial 1, head neutral, jaw closed"
    first = next(row for row in (await clinician.person()).rows if row[0] == "5 Jun 2026" and len(row) == 9)
    assert (first[1], first[8]) == ("2 of 4", "1 not observable: secretions")


async def test_a_form_that_this_site_did_not_make_for_this_caller_is_refused(clinician):
    form = await clinician.link(await clinician.person(), "/goals/")
    page = await clinician.send(form, "accept", form="0" * 64)
    assert clinician.answer.status_code == 403
    assert "not made for this sign-in" in page.text
    clinician.http.headers["Origin"] = "https://elsewhere.example.org"
    await clinician.link(await clinician.person(), "/goals/")
    await clinician.send(form, "accept")
    assert clinician.answer.status_code == 403
    assert status_cells(await clinician.person())[0] == "achieved goal is active"


async def test_what_belongs_to_somebody_else_has_no_form_here(clinician):
    page = await clinician.person()
    goal = next(one["href"] for one in page.attributes("a") if "/goals/" in one["href"])
    await clinician.get(goal.replace(clinician.patient, "somebody-else"))
    assert clinician.answer.status_code == 404
    await clinician.get(f"/app/patients/{clinician.patient}/decisions/none")
    assert clinician.answer.status_code == 404


async def test_the_summary_is_filed_once_as_pdf_with_the_person(clinician):
    page = await clinician.get(f"/app/patients/{clinician.patient}/summary?date=2026-09-11")
    assert "On file none" in page.text
    for _ in range(2):
        page = await clinician.send(page, "file")
        assert page.text.count("Progress summary as of 2026-09-11, filed 1 Dec 2026") == 1
    found = (await clinician.http.get(f"/fhir/DocumentReference?patient={clinician.patient}")).json()
    (document,) = [entry["resource"] for entry in found["entry"]]
    attachment = document["content"][0]["attachment"]
    kept = await clinician.http.get(f"/fhir/{attachment['url']}", headers={"Accept": "application/pdf"})
    assert (kept.content[:5], len(kept.content)) == (b"%PDF-", attachment["size"])
    shown = await clinician.http.get(f"/app/patients/{clinician.patient}/summary.pdf?date=2026-09-11")
    assert shown.content == kept.content
    assert document["meta"]["security"][0]["code"] == "HTEST"
    assert [one["code"] for one in document["type"]["coding"]] == ["11506-3", "progress-summary"]
    assert document["author"][0]["identifier"]["value"] == "wren"
    told = (await clinician.http.post("/fhir/DocumentReference/$validate", json=document)).json()
    assert [one for one in told["issue"] if one["severity"] == "error"] == []


async def test_filing_a_summary_is_undone_and_filed_again(clinician):
    async def documents():
        found = (await clinician.http.get(f"/fhir/DocumentReference?patient={clinician.patient}")).json()
        return [(one["resource"]["status"], one["resource"]["meta"]["versionId"]) for one in found["entry"]]

    form_address = f"/app/patients/{clinician.patient}/summary?date=2026-09-11"
    page = await clinician.send(await clinician.get(form_address), "file")
    assert "Summary filed: Progress summary as of 2026-09-11." in page.text
    page = await clinician.send(await clinician.link(page, "/decisions/"), "undo", reason="Of another day.")
    assert await documents() == [("entered-in-error", "2")]
    assert "On file none" in page.text
    undone, filed = [row for row in page.rows if row[1:2] in (["Undone"], ["Summary filed"])]
    assert undone[1:5] == [
        "Undone",
        "Progress summary as of 2026-09-11",
        "Wren Exampleton",
        "Of another day.",
    ]
    assert filed[5] == "was undone"
    page = await clinician.send(await clinician.get(form_address), "file")
    assert await documents() == [("current", "3")]
    assert page.text.count("Progress summary as of 2026-09-11, filed 1 Dec 2026") == 1
    page = await clinician.send(await clinician.link(page, "/decisions/"), "undo")
    assert await documents() == [("entered-in-error", "4")]


async def test_who_may_not_read_provenance_sees_the_status_but_not_who_decided(clinician):
    form = await clinician.link(await clinician.person(), "/goals/")
    assert "Computed status accepted" in (await clinician.send(form, "accept")).text
    clinician.may_only(
        " ".join(f"user/{type_}.rs" for type_ in (*READS, "Condition", "Flag", "ServiceRequest"))
    )
    page = await clinician.person("2026-12-01")
    assert status_cells(page)[0] == "worsening goal is active"
    assert "Computed status accepted" not in page.text


async def test_who_may_only_read_can_decide_nothing(clinician):
    clinician.may_only("user/*.rs")
    form = await clinician.link(await clinician.person(), "/goals/")
    page = await clinician.send(form, "accept")
    assert clinician.answer.status_code == 403
    assert "goal-decisions" in page.text
    assert status_cells(await clinician.person("2026-12-01"))[0] == "achieved goal is active"
