"""Each fault of the probe set is found at its place, and no control is refused."""

import pytest
from fault_probes import PROBES, made

from service.fhir.json import dump, parse
from service.fhir.validation import errors

CASES = [
    (family, section, type_, case)
    for family, sections in PROBES.items()
    for section, types in sections.items()
    for type_, cases in types.items()
    for case in cases
]


def tree_of(type_, members):
    return parse(dump(made(type_, members)))


def within(found, place):
    """The fault is at the element, in it, or at the part it should be in."""
    return found.startswith(place) or place.startswith(f"{found}.") or found == place


@pytest.mark.published("FHIR R4 (hl7.org/fhir/R4), the sections named in the probe set")
@pytest.mark.parametrize("family", PROBES)
def test_every_single_fault_is_found_and_no_control_is_refused(family, tell):
    caught = total = 0
    for own, section, type_, (wrong, right, place) in CASES:
        if own != family:
            continue
        total += 1
        assert errors(tree_of(type_, right)) == (), (section, right)
        places = [issue.place.path or issue.place.expression for issue in errors(tree_of(type_, wrong))]
        assert any(within(found, place) for found in places), (section, wrong, places)
        caught += 1
    tell(f"{family}: {caught} of {total} single faults found, no control of {total} refused")


def test_the_probe_set_is_large_enough():
    assert len(CASES) >= 150
    assert len(PROBES) >= 12
