import pytest
from r4_core import FOLDER as CORE
from r4_expansions import FOLDER as EXPANSIONS
from r4_expansions import contained, expansions

from service.fhir.composition import Composition
from service.fhir.terminology_files import _DEFINITIONS, texts
from service.fhir.value_sets import SHIPPED, codes, member, shipped_value_set
from tools.definitions_terminology import written

VALUE_SETS = "http://hl7.org/fhir/ValueSet/"
UCUM = "http://unitsofmeasure.org"
# Drawn from systems that do not ship, or told by a rule: nothing to compare code by code.
UNLISTED = {
    *("body-site", "condition-code"),  # SNOMED CT
    *("consent-content-class", "formatcodes"),  # IHE's format codes
    *("mimetypes", "ucum-units"),
}


@pytest.fixture(scope="module")
def official():
    return expansions()


@pytest.mark.published("hl7.fhir.r4.core and hl7.fhir.r4.expansions 4.0.1")
def test_the_shipped_files_are_what_the_published_packages_say():
    made = written(CORE, EXPANSIONS)
    assert {name: (_DEFINITIONS / name).read_bytes() for name in made} == made


@pytest.mark.published("hl7.fhir.r4.expansions 4.0.1")
def test_members_are_those_of_the_official_expansions(official, tell):
    compared = codes_compared = 0
    for url, tree in official.items():
        shipped = shipped_value_set(url)
        if shipped is None or url.removeprefix(VALUE_SETS) in UNLISTED:
            continue
        found = Composition(SHIPPED).members(shipped)
        assert found is not None, url
        assert set(found) == set(contained(tree["expansion"].get("contains", []))), url
        assert all(member(url, system, code) for system, code in found), url
        compared, codes_compared = compared + 1, codes_compared + len(found)
    assert compared >= 470
    tell(f"{compared} value sets of {codes_compared} codes equal to the official expansions")


@pytest.mark.published("hl7.fhir.r4.expansions 4.0.1")
def test_every_unit_of_the_official_expansion_is_a_unit(official):
    units = list(contained(official[f"{VALUE_SETS}ucum-units"]["expansion"]["contains"]))
    assert [code for system, code in units if not member(f"{VALUE_SETS}ucum-units", system, code)] == []
    assert len(units) == 1_000


def test_a_code_that_nobody_defined_is_in_no_set_that_is_closed():
    closed = [url for url in texts("ValueSet") if codes(url) is not None]
    assert len(closed) > 1_000
    assert [url for url in closed if member(url, "", "no such code") is not False] == []


@pytest.mark.parametrize(
    ("name", "system", "code", "answer"),
    [
        ("observation-status", "", "final", True),
        ("observation-status", "", "Final", False),
        ("observation-status", "http://hl7.org/fhir/observation-status", "final", True),
        ("observation-status", "http://example.org/other", "final", False),
        ("item-type", "", "question", False),  # abstract: groups others
        ("all-languages", "", "de-CH-1996", True),
        ("all-languages", "", "english language", False),
        ("mimetypes", "", 'text/plain; charset="utf-8"', True),
        ("mimetypes", "", "text", False),
        ("currencies", "", "EUR", True),
        ("currencies", "", "euros", False),
        ("currencies", "", "SLE", None),  # younger than FHIR R4
        ("timezones", "", "Europe/Zurich", True),
        ("timezones", "", "Europe/Atlantis", False),
        ("all-distance-units", UCUM, "km", True),
        ("all-distance-units", UCUM, "kg", False),
        ("all-time-units", UCUM, "wk", True),
        ("jurisdiction", "urn:iso:std:iso:3166", "CH", None),
        ("jurisdiction", "urn:iso:std:iso:3166", "Switzerland", False),
        ("body-site", "http://snomed.info/sct", "71341001", None),
        ("body-site", "http://loinc.org", "71341001", False),
        ("no-such-set", "", "final", None),
    ],
)
def test_whether_a_code_is_a_member(name, system, code, answer):
    assert member(VALUE_SETS + name, system, code) is answer


def test_codes_are_listed_only_where_there_are_no_others():
    assert codes(f"{VALUE_SETS}administrative-gender") == {"male", "female", "other", "unknown"}
    assert codes(f"{VALUE_SETS}currencies") is None
    assert codes(f"{VALUE_SETS}body-site") is None
    assert codes(f"{VALUE_SETS}no-such-set") is None


def test_systems_that_do_not_insist_on_case_are_taken_in_any():
    table = "http://terminology.hl7.org/CodeSystem/v2-0131"
    assert member(f"{VALUE_SETS}patient-contactrelationship", table, "c") is True
    assert member(f"{VALUE_SETS}patient-contactrelationship", table, "zz") is False
