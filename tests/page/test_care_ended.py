"""Why care ended stands in the banner and on the sheet for the record, unless the person was seen since."""

import io
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pypdf
import pytest
from demo_store import CONTEXT, Demo
from page_reader import Page

from service.fhir.json import dump, reread
from service.fhir.search_keys import extract
from service.page.rendering import html
from service.page.stored import StoredViews
from service.page.summary import summary_pdf

MADE = date(2026, 12, 1)


@pytest.fixture
def demo(tmp_path):
    loaded = Demo.of(tmp_path, "demo-05")
    yield loaded
    loaded.run(loaded.store.close())


def put(demo, tree):
    async def work(txn):
        await txn.put(tree["resourceType"], tree["id"], dump(tree), extract(tree, zone=CONTEXT.zone))

    demo.run(demo.store.write("put", work))


def ends(demo, reason, day):
    system = "https://swallow-interop.example.org/fhir/CodeSystem"
    tree = {
        "resourceType": "Observation",
        "id": "ended",
        "status": "final",
        "code": {"coding": [{"system": f"{system}/swallow-observation", "code": "reason-for-ending"}]},
        "subject": {"reference": f"Patient/{demo.patient('demo-05')}"},
        "effectiveDateTime": day,
        "valueCodeableConcept": {"coding": [{"system": f"{system}/swallow-value", "code": reason}]},
    }
    put(demo, tree)


def view(demo, day):
    views = StoredViews(demo.store, ZoneInfo("UTC"), lambda: datetime(2026, 12, 1, 9, 0, tzinfo=UTC))
    return demo.run(views.patient(demo.patient("demo-05"), date.fromisoformat(day)))


def page(demo, day):
    found = html("patient.html", caller="clinician", view=view(demo, day), decisions=(), decided="")
    return Page(found.body.decode()).text


def test_a_death_on_file_is_said(demo):
    patient = reread(demo.run(demo.store.read("Patient", demo.patient("demo-05"))).content)
    put(demo, patient | {"deceasedDateTime": "2026-09-20"})
    assert "Care ended died, 20 Sep 2026" in page(demo, "2026-09-30")
    assert "Care ended" not in page(demo, "2026-09-19")
    sheet = pypdf.PdfReader(io.BytesIO(summary_pdf(view(demo, "2026-09-30"), author="wren", made=MADE)))
    assert "died, 20 Sep 2026" in " ".join(sheet.pages[0].extract_text().split())


def test_a_medical_change_is_said_until_the_person_is_seen_again(demo):
    ends(demo, "medical-change", "2026-09-15")
    assert "Care ended medical change, 15 Sep 2026" in page(demo, "2026-09-30")
    ends(demo, "medical-change", "2026-08-14")
    assert "Care ended" not in page(demo, "2026-09-30")
