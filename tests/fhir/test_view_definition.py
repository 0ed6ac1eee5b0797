"""Views: what is refused and where, and that the fast paths find what the FHIRPath engine finds."""

import json
from decimal import Decimal

import pytest

from service.errors import InvalidInput
from service.fhir.canonical import CANONICAL_ROOT
from service.fhir.fhirpath import Expression
from service.fhir.fhirpath.nodes import Node
from service.fhir.view_definition import View
from service.fhir.view_definition.getters import getter
from service.fhir.view_definition.keys import FUNCTIONS
from service.shipped import shipped

COLUMN = {"name": "id", "path": "id", "type": "id"}
PATIENT = {
    "resourceType": "Patient",
    "id": "p",
    "active": False,
    "_birthDate": {"extension": [{"url": "u", "valueCode": "x"}]},
    "multipleBirthInteger": 2,
    "deceasedDateTime": "2026-06-19T08:45:00.50-06:00",
    "name": [
        {"family": "A", "given": ["B", None], "_given": [None, {"id": "g"}], "use": "official"},
        {"_family": {"id": "f"}, "given": ["C"]},
    ],
    "generalPractitioner": [
        {"reference": "Practitioner/d"},
        {"reference": "https://elsewhere.example/fhir/Practitioner/d"},
        {"reference": "Organization/o/_history/2"},
        {"display": "nobody"},
    ],
    "extension": [{"url": "u", "valueDecimal": Decimal("72.50")}, {"url": "v"}],
}


def problems(view):
    with pytest.raises(InvalidInput) as refused:
        View(view)
    return {issue.place.expression: issue.message for issue in refused.value.issues}


@pytest.mark.conformance("K1")
@pytest.mark.conformance("K2")
def test_rows_follow_selects_side_by_side_below_and_after_each_other():
    view = View(
        {
            "name": "names",
            "resource": "Patient",
            "constant": [{"name": "use", "valueCode": "official"}],
            "where": [{"path": "active = false"}],
            "select": [
                {"column": [COLUMN]},
                {
                    "forEach": "name",
                    "column": [
                        {"name": "number", "path": "%rowIndex", "type": "integer"},
                        {"name": "official", "path": "use = %use", "type": "boolean"},
                        {"name": "given", "path": "given", "collection": True},
                    ],
                    "unionAll": [
                        {"column": [{"name": "said", "path": "family"}]},
                        {"forEachOrNull": "suffix", "column": [{"name": "said", "path": "$this"}]},
                    ],
                },
                {"forEachOrNull": "contact", "column": [{"name": "contact", "path": "gender"}]},
                {"repeat": ["extension"], "column": [{"name": "url", "path": "url"}]},
            ],
        }
    )
    assert [column.name for column in view.columns] == [
        "id",
        "number",
        "official",
        "given",
        "said",
        "contact",
        "url",
    ]
    assert view.rows({"resourceType": "Group", "id": "g"}) == []
    assert view.rows({**PATIENT, "active": True}) == []
    assert view.rows(PATIENT) == [
        ("p", number, official, given, said, None, url)
        for number, official, given, says in ((0, True, ["B"], ("A", None)), (1, None, ["C"], (None, None)))
        for said in says
        for url in "uv"
    ]


@pytest.mark.conformance("K3")
def test_every_problem_is_told_at_its_place():
    found = problems(
        {
            "name": "1st",
            "resource": "Patiant",
            "constant": [{"name": "a"}, {"name": "b", "valueCode": ["x"]}, {"name": "0", "valueCode": "x"}],
            "where": [{}, {"path": "name.family"}, {"path": "active = %none"}],
            "select": [
                {"column": [{"name": "x y", "path": "id"}, {"name": "t", "path": "id", "type": "HumanName"}]},
                {"forEach": "name", "forEachOrNull": "name", "column": [COLUMN]},
                {"column": [{**COLUMN, "collection": "no", "pth": 1}, {"name": "id"}]},
                {"forEach": 1, "column": [{"name": "e", "path": "nothing()"}]},
                {"repeat": "item", "column": [{"name": "f", "path": "((("}]},
                {"unionAll": [{"column": [COLUMN]}, {"column": [{"name": "other", "path": "id"}]}]},
                {},
                {"columns": [COLUMN]},
            ],
        }
    )
    assert set(found) == {
        "ViewDefinition.name",
        "ViewDefinition.resource",
        "ViewDefinition.constant[0].value",
        "ViewDefinition.constant[1].value",
        "ViewDefinition.constant[2].name",
        "ViewDefinition.where[0].path",
        "ViewDefinition.where[2].path",
        "ViewDefinition.select[0].column[0].name",
        "ViewDefinition.select[0].column[1].type",
        "ViewDefinition.select[1]",
        "ViewDefinition.select[2].column[0]",
        "ViewDefinition.select[2].column[0].collection",
        "ViewDefinition.select[2].column[1].path",
        "ViewDefinition.select[3].forEach",
        "ViewDefinition.select[3].column[0].path",
        "ViewDefinition.select[4].repeat",
        "ViewDefinition.select[4].column[0].path",
        "ViewDefinition.select[5].unionAll[1]",
        "ViewDefinition.select[6]",
        "ViewDefinition.select[7]",
        "ViewDefinition.select",
    }
    assert found["ViewDefinition.select"] == "The column 'id' is there 4 times."


def test_what_does_not_fit_the_type_is_told():
    typed = [
        {"name": "a", "path": "birthdate"},
        {"name": "b", "path": "name"},
        {"name": "c", "path": "active", "type": "string"},
        {"name": "d", "path": "birthDate", "type": "integer"},
    ]
    where = [{"path": "name.family"}]
    found = problems({"resource": "Patient", "where": where, "select": [{"column": typed}]})
    assert found["ViewDefinition.select[0].column[0].path"].endswith("Patient has no element 'birthdate'.")
    assert {place.rpartition(".")[2] for place in found} == {"path", "type"}
    assert len(found) == 5


@pytest.mark.parametrize(
    "tree", [None, [], "x", 1, {}, {"select": {}}, {"resource": "Patient", "select": [1]}]
)
def test_what_is_no_definition_is_refused(tree):
    assert problems(tree)


def test_deep_and_wide_definitions_are_refused():
    select = {"column": [COLUMN]}
    for _ in range(30):
        select = {"select": [select]}
    assert problems({"resource": "Patient", "select": [select]})
    wide = [{"name": f"c{number}", "path": "id"} for number in range(501)]
    assert problems({"resource": "Patient", "select": [{"column": wide}]})


def test_a_resource_that_makes_too_many_rows_is_refused():
    each = [{"forEach": "name", "column": [{"name": f"n{n}", "path": "family"}]} for n in range(6)]
    view = View({"resource": "Patient", "select": each})
    many = {"resourceType": "Patient", "name": [{"family": "x"}] * 10}
    with pytest.raises(InvalidInput, match="more than 100000 rows"):
        view.rows(many)


@pytest.mark.parametrize(
    "resource",
    [
        {"resourceType": "Patient", "name": "x"},
        {"resourceType": "Patient", "name": [1]},
        {"resourceType": "Patient", "name": [{"family": 1}]},
        {"resourceType": "Patient", "name": [{"family": "a"}, {"family": "b"}]},
    ],
)
def test_a_resource_that_does_not_fit_is_refused(resource):
    view = View({"resource": "Patient", "select": [{"column": [{"name": "n", "path": "name.family"}]}]})
    with pytest.raises(InvalidInput, match="The view"):
        view.rows(resource)


@pytest.mark.conformance("K2")
@pytest.mark.parametrize(
    "name", ["trial", "bolus", "goal", "practice-day", "exercise", "computed-goal-status"]
)
@pytest.mark.parametrize(
    "path",
    [
        "id",
        "getResourceKey()",
        "subject.getReferenceKey(Patient)",
        "subject.getReferenceKey(Group)",
        "component.code.coding.code",
        "component.where(code.coding.exists(code = 'posture')).code.text",
        "component.where(code.coding.exists(code = 'posture' or code = 'x')).code.coding[0].code",
        "component.value.ofType(Quantity).value",
        "component.value.ofType(integer).first()",
        "value.ofType(CodeableConcept).coding.where(code = 'closed').exists()",
        "code.coding.where(system.empty()).empty()",
        f"extension('{CANONICAL_ROOT}/StructureDefinition/exercise-sets').value.ofType(positiveInt)",
        "target.detail.ofType(Quantity).value",
        "focus.getReferenceKey()",
    ],
)
def test_fast_paths_find_what_the_engine_finds(name, path):
    tree = json.loads(shipped("examples", "fhir", f"{name}.json").read_bytes(), parse_float=Decimal)
    expression = Expression(path, FUNCTIONS)
    try:
        fast = getter(expression.term, tree["resourceType"], {})
    except ValueError:
        return  # the type has no such element: refused where the engine finds nothing
    assert fast is not None
    assert fast.find(tree) == data_of(expression.items(Node(tree, tree["resourceType"]), tree, {}))


@pytest.mark.parametrize(
    "path",
    [
        "name.family",
        "name.given",
        "name.given.first()",
        "name.given[1]",
        "name[0].given[0]",
        "name.where(use = 'official').given",
        "name.where(given.exists() and use = 'official').family.exists()",
        "name.where(family.empty()).given",
        "birthDate",
        "birthDate.exists()",
        "birthDate.empty()",
        "active",
        "multipleBirth.ofType(integer)",
        "multipleBirth.ofType(boolean)",
        "deceased.ofType(boolean).exists()",
        "generalPractitioner.getReferenceKey()",
        "generalPractitioner.getReferenceKey(Practitioner)",
        "Patient.name.family",
        "$this.id",
        "(name).family",
        "id.toString()",
        "name[0].family.substring(0, 1)",
        "name[0].family.substring(1, 1)",
        "id.length()",
        "id.toInteger()",
        "birthDate.toString().substring(0, 4).toInteger()",
        "deceased.ofType(dateTime).toString().substring(0, 4).toInteger()",
        "deceased.ofType(dateTime).toString().substring(0, 10).where(length() = 10)",
        "deceased.ofType(dateTime).toString().substring(0, 10).where(length() = 4)",
        "extension('u').value.ofType(decimal)",
        "extension('v').value.ofType(decimal)",
        "id = 'p' and active = false",
    ],
)
def test_primitives_without_values_are_found_alike(path):
    expression = Expression(path, FUNCTIONS)
    fast = getter(expression.term, "Patient", {})
    slow = data_of(expression.items(Node(PATIENT, "Patient"), PATIENT, {}))
    assert fast is None or fast.find(PATIENT) == slow
    assert (fast is None) == path.startswith("id =")


def data_of(items):
    return [one.data if isinstance(one, Node) else one for one in items]
