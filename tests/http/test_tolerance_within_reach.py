"""How a visit was borne is shown as far as the caller reaches: no label, type or patient more."""

from typing import Any

import pytest
from ward import DORA, VITAL_SIGNS, Tree, Ward, label, observation, ref

from service.fhir.canonical import code_system
from service.page.sections import READ

pytestmark = pytest.mark.anyio
PAGE = "/app/patients/ann/visits/held"


def seen(what: str, **more: Any) -> Tree:
    """An adverse event of Ann's visit, its code ``what``."""
    coding = {"system": code_system("swallow-value"), "code": what, "display": what.capitalize()}
    return {
        "resourceType": "AdverseEvent",
        "id": what,
        "actuality": "actual",
        "event": {"coding": [coding]},
        "subject": ref("Patient/ann"),
        "encounter": ref("Encounter/held"),
        "date": "2026-05-01",
        **more,
    }


def pulse(id_: str, value: int, **more: Any) -> Tree:
    code = {"coding": [{"system": "http://loinc.org", "code": "8867-4", "display": "Heart rate"}]}
    unit = {"unit": "/min", "system": "http://unitsofmeasure.org", "code": "/min"}
    return observation(id_, "ann", encounter=ref("Encounter/held"), **VITAL_SIGNS, **more) | {
        "code": code,
        "valueQuantity": {"value": value, **unit},
    }


@pytest.fixture(autouse=True)
async def _visit(ward: Ward) -> None:
    visit = {
        "resourceType": "Encounter",
        "id": "held",
        "status": "finished",
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "AMB"},
        "subject": ref("Patient/ann"),
        "period": {"start": "2026-05-01T09:00:00Z", "end": "2026-05-01T10:00:00Z"},
    }
    of_ben = seen("laryngospasm", subject=ref("Patient/ben"))  # which names Ann's visit
    parts = (
        visit,
        seen("gagging"),
        seen("desaturation", meta=label("R")),
        of_ben,
        pulse("pulse", 71),
        pulse("secret-pulse", 72, meta=label("R")),
    )
    everybody = ward.client("system/*.cruds restricted")
    for tree in parts:
        answer = await everybody.put(f"/fhir/{tree['resourceType']}/{tree['id']}", json=tree)
        assert answer.status_code == 201, answer.text


async def test_labels_and_other_patients_stay_out(ward: Ward) -> None:
    for page in (PAGE, "/app/patients/ann"):
        text = (await ward.dora().get(page)).text
        assert "adverse event" in text.lower()
        for hidden in ("esaturation", "aryngospasm", "72 /min", "Your rights do not open"):
            assert hidden not in text
    text = (await ward.dora().get(PAGE)).text
    assert "Adverse event: gagging." in text
    assert "71 /min" in text
    assert (await ward.dora().get("/app/patients/ben/visits/held")).status_code == 404


async def test_who_may_see_labelled_things_sees_them(ward: Ward) -> None:
    text = (await ward.dora("user/*.cruds restricted").get(PAGE)).text
    assert "72 /min" in text
    assert "desaturation" in text
    assert "aryngospasm" not in text


async def test_types_that_are_not_open_are_said_to_be_so(ward: Ward) -> None:
    narrow = ward.client(" ".join(f"user/{type_}.rs" for type_ in READ), user=DORA)
    for page in (PAGE, "/app/patients/ann"):
        answer = await narrow.get(page)
        assert answer.status_code == 200
        assert "agging" not in answer.text
    text = (await narrow.get(PAGE)).text
    assert "Your rights do not open adverse events: there may be more than is shown here." in text
    assert "71 /min" in text
