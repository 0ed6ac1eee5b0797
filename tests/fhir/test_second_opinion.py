"""Our validator finds what an independent library finds; where it does not, there is a reason."""

import sys
from subprocess import run

import pytest
from fault_probes import PROBES, made
from r4_examples import example_files

from service.fhir.json import dump, parse
from service.fhir.search_parameters import stored_types
from service.fhir.second_opinion import second_opinion
from service.fhir.validation import errors

SOURCE = "fhir.resources 8 (R4B)"
# What the library refuses although R4 allows it: ids and extensions beside the value of an extension.
ALLOWED = ("._value",)


def objections(tree):
    found = [issue.place.expression for issue in second_opinion(tree)]
    return [place for place in found if not any(part in place for part in ALLOWED)]


@pytest.mark.published(SOURCE)
def test_what_the_library_refuses_is_refused(tell):
    refused = compared = 0
    for sections in PROBES.values():
        for types in sections.values():
            for type_, cases in types.items():
                for wrong, _, _ in cases:
                    tree = parse(dump(made(type_, wrong)))
                    compared += 1
                    if objections(tree):
                        refused += 1
                        assert errors(tree), wrong
    tell(f"the library refuses {refused} of {compared} single faults, ours refuses all of them")
    assert refused > compared / 3


@pytest.mark.published(SOURCE)
def test_examples_the_library_refuses_are_refused(tell):
    compared = refused = 0
    for type_ in stored_types():
        for file in example_files(type_)[:5]:
            tree = parse(file.read_bytes())
            compared += 1
            if objections(tree):
                refused += 1
                assert errors(tree), (file.name, objections(tree)[:3])
    tell(f"{compared} official examples compared with the library, which refuses {refused} of them")
    assert compared > 150


def test_the_library_is_not_loaded_by_validating():
    code = (
        "import sys; from service.fhir.validation import check;"
        "check({'resourceType': 'Patient', 'active': True});"
        "sys.exit(any(name.startswith('fhir.resources') for name in sys.modules))"
    )
    assert run([sys.executable, "-c", code], check=False).returncode == 0  # noqa: S603 - our own words
