"""Each fault of the probe set is found at its place, and no control is refused."""

import pytest
from fault_probes import BASES, PROBES, made
from fault_probes_in_words import MORE_BASES, MORE_PROBES

from service.fhir.json import dump, parse
from service.fhir.validation import check, errors

ALL = PROBES | MORE_PROBES
CASES = [
    (family, section, type_, case)
    for family, sections in ALL.items()
    for section, types in sections.items()
    for type_, cases in types.items()
    for case in cases
]

ROWS = {
    "E1": (
        "unknown elements",
        "cardinality",
        "choices",
        "JSON kinds",
        "empty and null",
        "primitive forms",
        "dates and times",
    ),
    "E2": ("bindings", "codes of systems"),
    "E3": ("invariants", "timings", "quantities"),
    "E4": ("references", "references in words", "contained resources"),
    "E5": ("narrative", "narratives in words"),
    "E6": ("extensions",),
    "E9": ("bundles", "bundles in words"),
}


def row_of(family):
    """A family with the row it shows, if it is about one."""
    marks = [pytest.mark.conformance(row) for row, families in ROWS.items() if family in families]
    return pytest.param(family, marks=marks)


def tree_of(type_, members):
    return parse(dump(made(type_, members, BASES | MORE_BASES)))


def warned(tree):
    """What is wrong, the narrative apart that a resource should have."""
    return tuple(one for one in check(tree) if one.rule != "dom-6")


def within(found, place):
    """The fault is at the element, in it, or at the part it should be in."""
    return found.startswith(place) or place.startswith(f"{found}.") or found == place


@pytest.mark.published("FHIR R4 (hl7.org/fhir/R4), the sections named in the probe set")
@pytest.mark.parametrize("family", [row_of(family) for family in ALL])
def test_every_single_fault_is_found_and_no_control_is_refused(family, tell):
    caught = total = 0
    for own, section, type_, (wrong, right, place) in CASES:
        if own != family:
            continue
        total += 1
        found = warned if family == "told as warnings" else errors
        assert found(tree_of(type_, right)) == (), (section, right)
        places = [issue.place.path or issue.place.expression for issue in found(tree_of(type_, wrong))]
        assert any(within(at, place) for at in places), (section, wrong, places)
        caught += 1
    tell(f"{family}: {caught} of {total} single faults found, no control of {total} refused")


def test_the_probe_set_is_large_enough():
    assert len(CASES) >= 330
    assert len(ALL) >= 25
    assert {family for families in ROWS.values() for family in families} <= set(ALL)
