"""The published cases of the validator: whether there is an error, and where."""

import json
import os
import re
from pathlib import Path

import pytest

from service.errors import ServiceError, Severity
from service.fhir import json as fhir_json
from service.fhir import xml
from service.fhir.validation.profiles import Definitions
from service.fhir.validation.requested import check_requested

CASES = Path(os.environ.get("CONFORMANCE_DATA", "")) / "validator"
MISSED = json.loads(Path(__file__).with_name("validator_cases_missed.json").read_text("utf-8"))
"""Cases that are judged otherwise here, or told of at another place, and why."""

pytestmark = [
    pytest.mark.skipif("CONFORMANCE_DATA" not in os.environ, reason="CONFORMANCE_DATA names no folder"),
    pytest.mark.published("FHIR/fhir-test-cases, R4 validator cases"),
]


def read(name):
    content = (CASES / name).read_bytes()
    return xml.parse(content) if name.endswith(".xml") else fhir_json.parse(content)


def errors(tree):
    return [one for one in check_requested(tree, (), Definitions()) if one.severity is Severity.ERROR]


def found_in(name):
    try:
        return errors(read(name))
    except ServiceError as error:
        return list(error.issues)


def plain(expression):
    """Places as both sides write them: without comments, urls of extensions, types of choices."""
    expression = re.sub(r"/\*.*?\*/|\[url=[^\]]*\]|\.ofType\(\w+\)", "", expression)
    return re.sub(r"\.value[A-Z]\w*", ".value", expression).rstrip(".")


def cases():
    listed = json.loads((CASES / "cases.json").read_bytes())
    return [case for case in listed if not case["needs_terminology_server"]]


def test_published_cases_are_judged_as_published(tell):
    judged, alarms, placed, faulty = set(), set(), set(), set()
    for case in cases():
        issues = found_in(case["file"])
        if bool(issues) == (case["expect"] == "err"):
            judged.add(case["name"])
        elif issues:
            alarms.add(case["name"])
        if case["expect"] == "err":
            faulty.add(case["name"])
            told = {plain(one) for error in case["errors"] for one in error["expression"] or ()}
            if issues and (not told or told & {plain(issue.place.expression) for issue in issues}):
                placed.add(case["name"])
    every = {case["name"] for case in cases()}
    assert alarms == set()
    assert every - judged == set(MISSED["judged otherwise"])
    assert faulty & judged - placed == set(MISSED["told elsewhere"])
    assert len(judged) >= 0.95 * len(every)
    tell(
        f"{len(judged)} of {len(every)} published validator cases judged as published, no false alarm; "
        f"{len(placed)} of {len(faulty)} faults told at the published place"
    )


def renamed(node):
    """The same content with other ids, names and dates, members in the opposite order."""
    if isinstance(node, dict):
        return {name: changed(name, node[name]) for name in reversed(node)}
    return [renamed(one) for one in node] if isinstance(node, list) else node


def changed(name, value):
    if name in {"family", "title"} and isinstance(value, str):
        return f"Other {value}"
    if name in {"birthDate", "authoredOn", "recordedDate"} and isinstance(value, str):
        return re.sub(r"^(19|20)\d\d(?=-|$)", "2004", value)
    return renamed(value)


def test_nothing_is_known_by_its_names_or_order(tell):
    compared = 0
    for case in cases():
        try:
            tree = read(case["file"])
        except ServiceError:
            continue
        assert bool(errors(renamed(tree))) == bool(errors(tree)), case["name"]
        compared += 1
    assert compared > 70
    tell(f"{compared} published cases are judged alike with other names, dates and order of members")
