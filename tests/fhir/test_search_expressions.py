"""What our routes find against what a FHIRPath engine finds, over every official example."""

import json
import re
from functools import cache

import fhirpathpy
import pytest
from fhirpathpy.engine.nodes import ResourceNode
from fhirpathpy.models import models
from r4_examples import example_files

from service.fhir.json import reread
from service.fhir.search_expressions import found, routes
from service.fhir.search_parameters import parameters, stored_types

MODEL = models["r4"]


def resolve(references):
    """What a reference's address says of what it leads to."""
    found = []
    for one in references:
        address = re.search(r"([A-Z]\w+)/[^/]+(/_history/.*)?$", one.get("reference", ""))
        if type_ := address[1] if address else one.get("type"):
            found.append(ResourceNode.create_node({"resourceType": type_}, type_))
    return found


@cache
def compiled(expression):
    functions = {"resolve": {"fn": resolve, "arity": {0: []}}}
    return fhirpathpy.compile(expression, MODEL, {"userInvocationTable": functions})


def theirs(tree, expression):
    try:
        return compiled(expression)(tree)
    except ValueError:
        # Of a list, 'as' is an error in FHIRPath; search parameters mean 'ofType' (FHIR R5 writes it so).
        return compiled(re.sub(r"\(([\w.]+) as (\w+)\)", r"\1.ofType(\2)", expression))(tree)


def distinct(values):
    return sorted({json.dumps(value, sort_keys=True, default=float) for value in values})


def ours(tree, type_, expression):
    ways = routes(type_, expression)
    if ways[0].truth:
        return [any(value is not False for way in ways for value in found(tree, way))]
    return [value for way in ways for value in found(tree, way)]


@pytest.mark.published("hl7.fhir.r4.examples 4.0.1, by fhirpathpy")
@pytest.mark.conformance("D31")
@pytest.mark.parametrize("type_", stored_types())
def test_routes_find_what_a_fhirpath_engine_finds(type_, tell):
    compared = 0
    for file in example_files(type_):
        tree = reread(file.read_bytes())
        plain = json.loads(file.read_bytes())
        for parameter in parameters(type_).values():
            expression = parameter.expression.replace("Resource.", f"{type_}.")
            mine = json.loads(json.dumps(ours(tree, type_, expression), default=float))
            assert distinct(theirs(plain, expression)) == distinct(mine), (file.name, parameter.name)
            compared += bool(mine)
    tell(f"{type_}: {compared} values of search parameters compared with fhirpathpy")


@pytest.mark.parametrize(
    ("expression", "why"),
    [
        ("Patient.nothing", "no element"),
        ("Patient.name.first()", "not in use"),
        ("Patient.name.where(use!='x')", "not in use"),
        ("Patient.name.[0]", "not understood"),
    ],
)
def test_other_fhirpath_is_refused(expression, why):
    with pytest.raises(ValueError, match=why):
        routes("Patient", expression)
