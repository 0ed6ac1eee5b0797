import json
import lzma
from pathlib import Path

import pytest

from service.fhir import elements as module
from service.fhir.elements import elements, is_primitive, is_resource, resource_types
from tools.definitions_elements import element_tables, packed

CORE = Path(__file__).parents[2] / ".cache" / "r4-core" / "package"
SOURCE = "hl7.fhir.r4.core 4.0.1"


@pytest.fixture(scope="module")
def definitions():
    if not CORE.is_dir():
        raise FileNotFoundError("The published R4 definitions are not there; run: make .cache/r4-core")
    return CORE


@pytest.mark.published(SOURCE)
def test_the_shipped_tables_are_those_a_build_makes(definitions):
    shipped = module._FILE.read_bytes()
    built = element_tables(definitions)
    assert json.loads(lzma.decompress(shipped)) == built
    assert lzma.decompress(shipped) == lzma.decompress(packed(built))


@pytest.mark.published(SOURCE)
def test_every_element_of_every_snapshot_is_there_in_its_order(definitions, tell):
    count = 0
    for type_ in resource_types():
        definition = json.loads((definitions / f"StructureDefinition-{type_}.json").read_bytes())
        snapshot = [one for one in definition["snapshot"]["element"] if one["path"].count(".") == 1]
        ours = {element.choice or element.name: element for element in elements(type_).values()}
        names = [one["path"].partition(".")[2].removesuffix("[x]") for one in snapshot]
        assert sorted(ours, key=lambda name: ours[name].order) == names, type_
        for name, one in zip(names, snapshot, strict=True):
            element = ours[name]
            assert (element.least, element.repeats, element.summary) == (
                one["min"],
                one["max"] == "*",
                one.get("isSummary", False),
            ), one["path"]
            count += 1
    tell(f"{count} elements of {len(resource_types())} R4 resource types equal the published snapshots")


@pytest.mark.published("FHIR R4 observation.html, datatypes.html")
def test_samples_from_the_pages():
    assert elements("Observation")["valueQuantity"].choice == "value"
    assert elements("Observation")["component"].type == "Observation.component"
    assert elements("Observation.component")["referenceRange"].type == "Observation.referenceRange"
    assert elements("Questionnaire.item")["item"].type == "Questionnaire.item"
    assert elements("Extension")["url"].attribute
    assert elements("Age")["value"].kind == "number"
    assert elements("Narrative")["div"].kind == "xhtml"
    assert elements("Bundle.entry")["resource"].kind == "resource"
    assert is_primitive("instant")
    assert not is_primitive("Quantity")
    assert is_resource("Patient")
    assert not is_resource("DomainResource")
    assert elements("Nothing") == {}
