"""Each invariant's function answers what its published FHIRPath expression says."""

import json
import re
from collections import Counter
from pathlib import Path

import fhirpathpy
import fhirpathpy.parser
import pytest
from fhirpathpy.engine.nodes import ResourceNode
from fhirpathpy.models import models
from invariant_nodes import Maker, in_examples, type_of, without_each

from service.fhir.fhirpath import compiled
from service.fhir.validation.invariants import _NARRATIVE, _RULES, _tables, invariants

SOURCE = "HL7 FHIR R4 4.0.1, the expressions of its constraints"
MADE, MOST_MADE, MOST_PATHS = 250, 5_000, 3
EVERY, MOST_OF_EXAMPLES, MOST_OF_RULE = 1, 25, 400
ONE_SIDED = {"cid-0": "a ChargeItemDefinition has no name"}

NOT_BY_LIBRARY = {
    "app-4": "it does not know the type of what an expression begins with",
    "ctm-1": "it has no resolve()",
    "inv-1 Task": "it compares times in different zones by their text",
    "mdd-1": "it compares times in different zones by their text",
    "per-1": "it compares times in different zones by their text",
    "rng-2": "it does not compare quantities",
}
BY_LIBRARY = 40


def has_value(values):
    return [len(values) == 1 and values[0] is not None and not isinstance(values[0], dict)]


OPTIONS = {
    "traceFn": lambda *_: None,
    "userInvocationTable": {"hasValue": {"fn": has_value, "arity": {0: []}}},
}
AMENDED = json.loads(Path(__file__).with_name("invariants_amended.json").read_bytes())
"""Rules whose published expression is known to say something else than the rule: published, amended, why."""


def expression(name):
    published = _tables()["rules"][name][2]
    if name not in AMENDED:
        return published
    assert AMENDED[name]["published"] == published
    return AMENDED[name]["amended"]


def holds_as_published(name, found):
    path, node, resource, root = found
    try:
        answer = compiled(expression(name)).at(
            node, type_of(path), variables={"resource": resource, "rootResource": root}
        )
    except ValueError:  # as the standard's own validator: what can't be evaluated is broken
        return False
    return answer == [True]


def names_at(path):
    return [name for name in _tables()["at"].get(path, ()) if name not in _NARRATIVE]


def function(name, path):
    key = name.partition(" ")[0]
    return next(rule.holds for rule in invariants(path) if rule.key == key)


def agree(name, found):
    """Whether the rule holds; the function and the published expression say the same."""
    ours = function(name, found[0])(*found[1:])
    assert ours == holds_as_published(name, found), (name, found)
    return ours


@pytest.mark.conformance("E3")
@pytest.mark.published(SOURCE)
def test_made_up_nodes(tell):
    seen = Counter()
    for name in sorted(_RULES):
        maker = Maker(name, expression(name))
        paths = [path for path, names in _tables()["at"].items() if name in names][:MOST_PATHS]
        own = Counter(agree(name, found) for path in paths for found in maker.nodes(path, MADE))
        for found in maker.nodes(paths[0], MOST_MADE):
            if len(own) == 2:
                break
            own[agree(name, found)] += 1
        assert len(own) == (1 if name in ONE_SIDED else 2), f"{name} must be seen kept and broken: {own}"
        seen += own
    tell(
        f"invariants as functions and as FHIRPath: {len(_RULES)} rules, {seen.total()} made-up nodes, "
        f"{seen[False]} of them breaking, 0 disagreements"
    )


@pytest.mark.published("fhirpathpy")
def test_an_independent_engine_agrees(tell):
    agreed, count = 0, 0
    for name in sorted(_RULES.keys() - NOT_BY_LIBRARY.keys()):
        tree = fhirpathpy.parser.parse(expression(name))
        path = next(path for path, names in _tables()["at"].items() if name in names)
        for found in Maker(name, expression(name), valueless=0).nodes(path, BY_LIBRARY):
            node = ResourceNode.create_node(found[1], type_of(path))
            variables = {"resource": found[2], "rootResource": found[3], "context": node}
            answer = fhirpathpy.apply_parsed_path(node, tree, variables, models["r4"], OPTIONS)
            assert function(name, path)(*found[1:]) == (answer == [True]), (name, found)
            count += 1
        agreed += 1
    tell(f"invariants as functions and by fhirpathpy: {agreed} rules, {count} made-up nodes, 0 disagreements")


@pytest.mark.conformance("E3")
@pytest.mark.published(SOURCE)
def test_nodes_of_the_official_examples(tell):
    done, seen, rules = Counter(), Counter(), set()
    for found in in_examples(every=EVERY):
        for name in names_at(found[0]):
            if done[name, found[0]] < MOST_OF_EXAMPLES and done[name] < MOST_OF_RULE:
                done[name, found[0]] += 1
                done[name] += 1
                rules.add(name)
                words = set(re.findall(r"\w+", expression(name)))
                for one in (found, *without_each(found, words)):
                    seen[agree(name, one)] += 1
    tell(
        f"invariants on official examples: {len(rules)} rules, {seen.total()} nodes (each also without what "
        f"the rule names), {seen[False]} of them breaking, 0 disagreements"
    )
    assert len(rules) > 200
