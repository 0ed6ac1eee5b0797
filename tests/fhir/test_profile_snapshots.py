"""Elements in full, made from differentials, against the published ones."""

import json
import lzma
from collections import Counter, defaultdict
from functools import cache
from pathlib import Path

import pytest
from written_profiles import ROOT, at, known, profile, sliced

from service.fhir.guides import Guide, read_guide
from service.fhir.validation.profiles import DefinitionFault, Definitions, base_types
from service.fhir.validation.profiles.nodes import flat
from tools.definitions_profiles import profile_tables

CORE = Path(__file__).parents[2] / ".cache" / "r4-core" / "package"
SOURCE = "hl7.fhir.r4.core 4.0.1"
CHOICE_IN_SLICE = (
    "A type named in short (valueQuantity) inside a slice: the published snapshot narrows value[x], ours "
    "makes the closed slice by type that the same publication has outside of slices; both allow the same."
)
UNSAID = "The published snapshot holds a constraint that neither the differential nor the base states there."
LACKS = "The published snapshot lacks elements that its base has and nothing removes."
FURTHER = "The published snapshot walks into two extensions of which the differential says nothing."
BASE_BINDING = "The published slice has the binding of the base, not the one of the element it is a slice of."
REASONS = {
    "catalog": LACKS,
    "familymemberhistory-genetic": LACKS,
    "elementdefinition-de": FURTHER,
    "bp": CHOICE_IN_SLICE,
    "cholesterol": UNSAID,
    "hdlcholesterol": UNSAID,
    "ldlcholesterol": UNSAID,
    "MetadataResource": UNSAID,
    "xhtml": UNSAID,
    "provenance-relevant-history": BASE_BINDING,
}


@cache
def package() -> Guide:
    if not CORE.is_dir():
        raise FileNotFoundError("The published R4 definitions are not there; run: make .cache/r4-core")
    return read_guide(CORE)


def said(id_, element):
    """What decides about a resource."""
    slicing = element.get("slicing", {})
    by = [(one["type"], one["path"]) for one in slicing.get("discriminator", ())]
    rules = (slicing.get("rules"), slicing.get("ordered", False))
    if id_.endswith(("extension", "modifierExtension")):
        by, rules = [], ()  # by url and open, whether a snapshot says so or not
    types = [(one["code"], one.get("profile"), one.get("targetProfile")) for one in element.get("type", ())]
    binding = element.get("binding", {})
    return {
        "number": (element["min"], element["max"]),
        "types": sorted(types, key=str),
        "binding": (binding.get("strength"), binding.get("valueSet")),
        "laid down": {name: one for name, one in element.items() if name.startswith(("fixed", "pattern"))},
        "slicing": (by, rules),
        "constraints": sorted(one["key"] for one in element.get("constraint", ())),
    }


@pytest.mark.conformance("E8")
@pytest.mark.published(SOURCE)
def test_snapshots_equal_the_published_ones(tell):
    definitions = Definitions(package())
    counted, differing = Counter(), defaultdict(list)
    for definition in definitions.all("StructureDefinition"):
        if (
            "snapshot" not in definition
            or "differential" not in definition
            or "baseDefinition" not in definition
        ):
            continue
        made = {id_: node.element for id_, node in flat(definitions.tree(definition["url"]))}
        published = {one["id"]: one for one in definition["snapshot"]["element"]}
        counted["definitions"] += 1
        counted["elements"] += len(published)
        for id_ in published.keys() | made.keys():
            if id_ not in made or id_ not in published or said(id_, made[id_]) != said(id_, published[id_]):
                differing[definition["id"]].append(id_)
    tell(
        f"snapshots: {counted['definitions'] - len(differing)} of {counted['definitions']} equal the "
        f"published ones ({counted['elements']} elements); {len(differing)} differ for a stated reason"
    )
    assert counted["definitions"] > 640
    assert differing.keys() == REASONS.keys(), dict(differing)


@pytest.mark.published(SOURCE)
def test_the_same_profiles_are_made_from_what_ships():
    """Numbers, types and what is laid down do not need the published snapshots of the types."""
    published, shipped = Definitions(package()), Definitions()
    for definition in published.all("StructureDefinition"):
        if definition.get("derivation") != "constraint" or "snapshot" not in definition:
            continue
        theirs = {id_: node.element for id_, node in flat(published.tree(definition["url"]))}
        ours = {id_: node.element for id_, node in flat(shipped.tree(definition["url"]))}
        assert ours.keys() == theirs.keys(), definition["id"]
        for id_, element in ours.items():
            wanted, had = said(id_, theirs[id_]), said(id_, element)
            assert (had["number"], had["laid down"]) == (wanted["number"], wanted["laid down"]), id_


@pytest.mark.published(SOURCE)
def test_the_shipped_profiles_are_those_a_build_makes():
    shipped = lzma.decompress(base_types._FILE.read_bytes())
    package()
    assert json.loads(shipped) == profile_tables(CORE)


def ids(name, *definitions):
    return {id_ for id_, _ in flat(known(*definitions).tree(ROOT + name))}


def test_a_differential_without_ids_is_walked_in_order():
    elements = [
        sliced("Observation.component", "value:code"),
        at("Observation.component:left", min=1),
        at("Observation.component:left.code.text", min=1),
        at("Observation.component:right", min=1),
        at("Observation.component:right.code.text", max="0"),
    ]
    bare = [{name: value for name, value in one.items() if name != "id"} for one in elements]
    with_ids, without = (known(profile("Bite", "Observation", *one)) for one in (elements, bare))
    assert list(flat(with_ids.tree(f"{ROOT}Bite"))) == list(flat(without.tree(f"{ROOT}Bite")))


def test_a_type_is_walked_into_where_something_is_said_below_it():
    found = ids("Bite", profile("Bite", "Observation", at("Observation.code.coding.system", min=1)))
    assert {
        "Observation.code.coding.system",
        "Observation.code.coding.display",
        "Observation.code.text",
    } <= found
    assert "Observation.category.coding" not in found


def test_a_part_that_refers_to_another_is_walked_into():
    found = ids(
        "Range", profile("Range", "Observation", at("Observation.component.referenceRange.text", min=1))
    )
    assert "Observation.component.referenceRange.low" in found


def test_a_snapshot_is_taken_where_the_base_is_not_known():
    definition = profile("Bite", "Observation", at("Observation.note", min=1), base="http://example.org/gone")
    definition["snapshot"] = {
        "element": [at("Observation", min=0, max="*"), at("Observation.note", min=1, max="*")]
    }
    assert ids("Bite", definition) == {"Observation", "Observation.note"}


@pytest.mark.parametrize(
    ("definition", "why"),
    [
        (profile("Bite", "Observation", at("Observation.nothing", min=1)), "has no element nothing"),
        (profile("Bite", "Observation", base=f"{ROOT}Bite"), "is built on itself"),
        (profile("Bite", "Observation", base=f"{ROOT}Gone"), "is not known here"),
    ],
)
def test_a_definition_that_cannot_be_used_says_why(definition, why):
    with pytest.raises(DefinitionFault, match=why):
        known(definition).tree(definition["url"])
