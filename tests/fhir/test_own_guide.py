"""Our own guide: the StructureDefinitions in ``mappings/profiles/``."""

import json
import re
from pathlib import Path

import pytest

from service.errors import Severity
from service.fhir.canonical import CANONICAL_ROOT
from service.fhir.guides import read_guide
from service.fhir.json import reread
from service.fhir.validation import check
from service.fhir.validation.profiles import Definitions
from service.fhir.validation.profiles.base_types import own_profiles
from service.fhir.validation.profiles.nodes import flat
from service.shipped import shipped
from tools.deidentified_profiles import deidentified_profiles

FOLDER = shipped("mappings", "profiles")
FILES = sorted(FOLDER.glob("*.json"))
SERVICE = Path(__file__).parents[2] / "service"


@pytest.mark.parametrize("file", FILES, ids=[file.stem for file in FILES])
def test_a_definition_is_valid_and_named_as_the_others(file):
    tree = reread(file.read_bytes())
    assert [issue for issue in check(tree) if issue.severity == Severity.ERROR] == []
    assert file.name == f"StructureDefinition-{tree['id']}.json"
    assert tree["url"] == f"{CANONICAL_ROOT}/StructureDefinition/{tree['id']}"
    assert (tree["derivation"], tree["fhirVersion"], "snapshot" in tree) == ("constraint", "4.0.1", False)
    assert ("context" in tree) == (tree["type"] == "Extension")


def test_every_definition_can_be_made_in_full_and_compiled(tell):
    definitions = Definitions()
    elements = 0
    for url in own_profiles():
        elements += len(list(flat(definitions.tree(url))))
        assert definitions.check(url) is not None
    tell(f"{len(own_profiles())} definitions of our own guide, {elements} elements in full")


def test_value_sets_and_profiles_that_it_names_are_known():
    definitions = Definitions()
    for tree in own_profiles().values():
        for element in tree["differential"]["element"]:
            if bound := element.get("binding"):
                assert definitions.value_set(bound["valueSet"]) is not None, (tree["id"], element["id"])
            for type_ in element.get("type", ()):
                for canonical in (*type_.get("profile", ()), *type_.get("targetProfile", ())):
                    assert definitions.tree(canonical), (tree["id"], element["id"])


def test_every_extension_that_is_written_has_its_definition():
    written = {
        name
        for file in SERVICE.glob("records/*.py")
        for name in re.findall(r"extension\(\s*f?\"([a-z-]+)\"", file.read_text("utf-8"))
    }
    defined = {tree["id"] for tree in own_profiles().values() if tree["type"] == "Extension"}
    assert written - defined == set()
    assert len(written) > 15


def test_it_can_be_read_as_a_guide():
    assert {one["url"] for one in read_guide(FOLDER).definitions} == set(own_profiles())


def test_elements_stand_in_the_order_of_the_standard():
    """A differential is to follow the order of its base (elementdefinition.html)."""
    definitions = Definitions()
    for url, tree in own_profiles().items():
        order = {id_: place for place, (id_, _) in enumerate(flat(definitions.tree(url)))}
        ids = [one["id"] for one in tree["differential"]["element"]]
        assert ids == sorted(ids, key=lambda id_: order[id_]), tree["id"]


def test_files_are_written_in_one_way():
    for file in FILES:
        text = file.read_text("utf-8")
        assert text == json.dumps(json.loads(text), indent=1, ensure_ascii=False) + "\n", file.name


def test_the_profiles_of_research_exports_are_those_of_the_allow_list():
    made = deidentified_profiles()
    files = {file for file in FILES if "-deidentified-" in file.name}
    assert {file.stem.removeprefix("StructureDefinition-"): file.read_text("utf-8") for file in files} == made
