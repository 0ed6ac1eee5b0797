"""The tables of search parameters and compartments, made from the published definitions."""

from pathlib import Path

import pytest
from r4_core import FOLDER

from service.fhir import search_parameters
from service.fhir.search_parameters import (
    code_system,
    compartment,
    parameters,
    patient_parameter,
    stored_types,
)
from tools.definitions_search import LEFT_OUT, written

DEFINITIONS = Path(search_parameters.__file__).parent / "definitions"
SOURCE = "hl7.fhir.r4.core 4.0.1"


@pytest.mark.published(SOURCE)
@pytest.mark.conformance("D31")
def test_made_again_the_tables_are_the_same(tell):
    made = written(FOLDER)
    for name, content in made.items():
        assert (DEFINITIONS / name).read_bytes() == content, name
    assert sum(map(len, made.values())) < 300_000
    count = sum(len(parameters(type_)) for type_ in stored_types())
    tell(f"{count} search parameters of {len(stored_types())} types")


def test_every_stored_type_can_be_searched_by_what_all_have():
    for type_ in stored_types():
        assert {"_id", "_lastUpdated", "_tag", "_security", "_profile", "_source"} <= parameters(type_).keys()


def test_what_finds_the_same_shares_its_keys():
    table = parameters("Observation")
    assert table["patient"].indexes == table["subject"].indexes == ("Observation.subject",)
    assert (table["patient"].filed, table["subject"].filed) == (False, True)
    assert table["patient"].targets == ("Patient",)
    assert table["combo-code"].indexes == ("Observation.code", "Observation.component-code")
    assert table["combo-code-value-quantity"].parts == ("combo-code", "combo-value-quantity")
    assert parameters("AuditEvent")["patient"].indexes == ("AuditEvent.agent", "AuditEvent.entity")


def test_only_what_is_found_without_a_patient_is_wide():
    wide = {name for name, one in parameters("Observation").items() if one.wide}
    assert wide == {"identifier", "_security"}
    assert all(one.wide for one in parameters("Patient").values())


def test_what_is_left_out_is_said():
    for type_ in stored_types():
        assert not LEFT_OUT.keys() & parameters(type_).keys()


def test_whose_a_resource_is():
    told = {type_: patient_parameter(type_) for type_ in stored_types()}
    assert {type_: one.name for type_, one in told.items() if one and one.name != "patient"} == {
        "AdverseEvent": "subject",
    }
    assert [told[type_] for type_ in ("Patient", "Group", "Practitioner", "Questionnaire")] == [None] * 4


@pytest.mark.published(SOURCE)
@pytest.mark.conformance("D29")
def test_compartments():
    found = compartment("Patient")
    assert [one.name for one in found["Observation"]] == ["subject", "performer"]
    assert [one.name for one in compartment("Encounter")["Procedure"]] == ["encounter"]
    assert "Questionnaire" not in compartment("Device")


def test_code_systems_of_elements():
    assert code_system("Observation.status") == "http://hl7.org/fhir/observation-status"
    assert code_system("Address.use") == "http://hl7.org/fhir/address-use"
    assert code_system("Observation.nothing") == ""
