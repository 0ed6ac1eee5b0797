"""Nothing that is sent, and no definition of a guide, makes a check of profiles fail in itself."""

import copy
import threading
from collections.abc import Iterator
from typing import Any

import pytest
from r4_examples import FOLDER
from written_profiles import BASE, at, known, profile, sliced

from service.errors import Severity
from service.fhir.canonical import profile as ours
from service.fhir.json import reread
from service.fhir.validation.profiles import Definitions, check_extensions, check_profiles
from service.fhir.validation.profiles.base_types import own_profiles, published_profile

JUNK = (None, "", "x", 1, True, [], {}, [None], ["x"], [[]], {"x": 1}, [{"url": 1}], {"coding": "x"})
CODE = {"system": "https://swallow-interop.example.org/fhir/CodeSystem/swallow-observation"}


def places(node: Any) -> Iterator[tuple[Any, Any]]:
    """Every place in a tree, as what holds it and its name or number."""
    pairs = (
        list(node.items())
        if isinstance(node, dict)
        else list(enumerate(node))
        if isinstance(node, list)
        else []
    )
    for name, value in pairs:
        yield node, name
        yield from places(value)


def spoilt(tree: Any) -> Iterator[Any]:
    """Copies in each of which one value is replaced by something else."""
    count = len(list(places(tree)))
    for number in range(count):
        for junk in JUNK:
            changed = copy.deepcopy(tree)
            owner, name = list(places(changed))[number]
            owner[name] = copy.deepcopy(junk)
            yield changed


GOAL = {
    "resourceType": "Goal",
    "extension": [
        {"url": ours("goal-criterion"), "extension": [{"url": "visits", "valuePositiveInt": 1}]},
        {"url": ours("goal-importance"), "valueInteger": 1},
    ],
    "achievementStatus": {"coding": [{"system": "http://x", "code": "achieved"}]},
    "subject": {"reference": "Patient/1"},
    "target": [{"measure": {"coding": [{**CODE, "code": "hold-time"}]}, "detailQuantity": {"value": 1}}],
}
BOLUS = {
    "resourceType": "Observation",
    "code": {"coding": [{**CODE, "code": "bolus-swallow"}]},
    "partOf": [{"reference": "Procedure/1"}],
    "component": [{"code": {"coding": [{**CODE, "code": "bolus-sequence"}]}, "valueInteger": 1}],
}


@pytest.mark.parametrize(("tree", "canonical"), [(GOAL, ours("goal")), (BOLUS, ours("bolus"))])
def test_spoilt_resources_are_judged(tree, canonical, tell):
    definitions, tried = Definitions(), 0
    for changed in spoilt(tree):
        if isinstance(changed.get("resourceType"), str):
            check_profiles(changed, [canonical], definitions)
            check_extensions(changed, definitions)
            tried += 1
    tell(f"{tried} spoilt copies judged against {canonical.rpartition('/')[2]}")
    assert tried > 200


def test_spoilt_examples_are_judged_by_invariants_and_nested_slices():
    pressure = reread((FOLDER / "Observation-blood-pressure-dar.json").read_bytes())
    small = {name: pressure[name] for name in ("resourceType", "code", "category", "component")}
    small |= {"effectivePeriod": {"start": "2020"}, "hasMember": [{"reference": "#"}]}
    definitions = Definitions()
    for changed in spoilt(small):
        if isinstance(changed.get("resourceType"), str):
            check_profiles(changed, [f"{BASE}bp"], definitions)


def test_spoilt_definitions_are_used_or_refused_with_a_reason():
    definition = profile(
        "Bite",
        "Observation",
        at(
            "Observation",
            constraint=[{"key": "b-1", "severity": "error", "human": "x", "expression": "true"}],
        ),
        sliced("Observation.category", "value:coding.code"),
        at("Observation.category:own", min=1),
        at("Observation.category:own.coding.code", fixedCode="x"),
        at("Observation.value[x]", type=[{"code": "Quantity", "profile": [f"{BASE}SimpleQuantity"]}]),
    )
    observation = {
        "resourceType": "Observation",
        "category": [{"coding": [{"code": "x"}]}],
        "valueQuantity": {},
    }
    outcomes = set()
    for changed in spoilt(definition["differential"]["element"]):
        if not all(
            isinstance(one, dict) and isinstance(one.get("path"), str) and one["path"] for one in changed
        ):
            continue  # such a guide is not read
        tree = definition | {"differential": {"element": changed}}
        found = check_profiles(observation, [tree["url"]], known(tree))
        outcomes.add(any(one.severity == Severity.WARNING for one in found))
    assert outcomes == {True, False}


def test_many_threads_make_a_definition_once():
    definitions, found = Definitions(), []
    urls = [*own_profiles(), f"{BASE}bp", f"{BASE}lipidprofile"]
    assert published_profile(urls[-1])

    def work():
        found.extend(one for one in (definitions.check(url) for url in urls) if one is not None)

    threads = [threading.Thread(target=work) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(found) == 8 * len(urls)
    assert len({id(one) for one in found}) == len(urls)
