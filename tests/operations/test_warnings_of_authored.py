"""What the service writes and ships has no error, and no warning but those explained here."""

from collections import Counter

import pytest

from service.fhir.json import parse, reread
from service.fhir.validation.profiles import Definitions
from service.fhir.validation.requested import check_requested
from service.shipped import shipped

NOT_LOADED = ("http://hl7.org/fhir/us/core/", "http://hl7.org/fhir/us/pacio-pfe/")
"""Guides that are claimed and not loaded here; what they require is tried elsewhere."""
NOT_R4 = {"views", "topics"}
"""Folders of another standard's files, and of R5's."""
EXPLAINED = {
    ("Encounter", "http://hl7.org/fhir/ValueSet/encounter-participant-type"): (
        "roles of swallowing care; the extensible set has codes for other parts in an encounter"
    ),
    **{
        (type_, "dom-6"): "definitions are shown by the guide's pages, made from them"
        for type_ in (
            "CodeSystem",
            "ConceptMap",
            "Measure",
            "NamingSystem",
            "OperationDefinition",
            "Questionnaire",
            "StructureDefinition",
            "ValueSet",
        )
    },
}


def unexplained(trees, seen):
    definitions, found = Definitions(), []
    for tree in trees:
        for issue in check_requested(tree, (), definitions):
            key = tree["resourceType"], issue.rule
            if issue.severity == "warning" and (key in EXPLAINED or issue.rule.startswith(NOT_LOADED)):
                seen[key] += 1
            else:
                found.append((tree["resourceType"], tree.get("id"), issue))
    return found


@pytest.fixture(scope="module")
def authored(whole_demo):
    async def everything():
        return [reread(version.content) async for version in whole_demo.store.changes() if version.content]

    return whole_demo.run(everything())


@pytest.mark.conformance("E12")
def test_nothing_written_or_shipped_is_warned_of_without_a_reason(authored, tell):
    files = sorted(shipped("mappings").rglob("*.json"))
    texts = [file.read_bytes() for file in files if file.parent.name not in NOT_R4]
    definitions = [parse(text) for text in texts if b'"resourceType"' in text]
    seen = Counter()
    assert unexplained([*authored, *definitions], seen) == []
    assert len(definitions) > 100
    assert EXPLAINED.keys() - seen.keys() == set()
    tell(
        f"{len(authored)} authored and {len(definitions)} shipped resources validated: no error, "
        f"{seen.total()} warnings, all explained ({len(seen)} kinds)"
    )
