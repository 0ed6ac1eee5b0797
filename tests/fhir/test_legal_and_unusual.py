"""What R4 allows and few write: no error, and no warning but that of the narrative."""

import pytest
from fault_probes import BASES, UCUM, UUID, V3, XHTML
from fault_probes_in_words import MORE_BASES

from service.fhir.json import dump, parse
from service.fhir.validation import check

ABSENT = [{"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"}]
OWN = [{"url": "urn:oid:1.2.3", "valueString": "x"}]


def patient(id_, **more):
    return {"resourceType": "Patient", "id": id_, **more}


CASES = {
    "json.html#primitive": [
        ("Patient", {"_birthDate": {"extension": ABSENT}}),
        ("Patient", {"name": [{"given": ["a", None], "_given": [None, {"extension": OWN}]}]}),
        ("Patient", {"name": [{"_given": [{"extension": OWN}]}]}),
        ("Patient", {"active": True, "_active": {"id": "a"}}),
        ("Patient", {"id": "a" * 64}),
        ("Patient", {"id": "-.-"}),
    ],
    "datatypes.html, primitive types": [
        ("Observation", '"valueQuantity":{"value":1.50e-3}'),
        ("Observation", '"valueQuantity":{"value":-0.0}'),
        ("Observation", {"effectiveDateTime": "2026"}),
        ("Observation", {"effectiveDateTime": "2016-12-31T23:59:60Z"}),
        ("Observation", {"effectiveDateTime": "2026-02-04T10:30:00.123456789+14:00"}),
        ("Observation", {"effectiveDateTime": "2024-02-29T00:00:00-00:00"}),
        ("Observation", {"valueTime": "23:59:60.5"}),
        ("Observation", {"issued": "2026-02-04T10:30:00-13:59"}),
        ("Observation", {"code": {"coding": [{"system": "http://a.example", "code": "two words"}]}}),
        ("Observation", {"valueString": "line\nline\ttab"}),
        ("Patient", {"photo": [{"contentType": "image/png", "data": "QUJD\nREVG"}]}),
        ("Patient", {"photo": [{"contentType": "text/plain; charset=utf-8", "url": "http://a.example"}]}),
        ("Patient", {"photo": [{"contentType": "application/fhir+json; fhirVersion=4.0", "title": "x"}]}),
        ("Patient", {"implicitRules": "mailto:a@a.example"}),
        ("Patient", {"language": "zh-Hans-CN"}),
        ("Patient", {"language": "de-1996"}),
    ],
    "datatypes.html, complex types": [
        ("Patient", {"identifier": [{"value": "1"}]}),
        ("Patient", {"identifier": [{"system": "urn:ietf:rfc:3986", "value": "urn:oid:1.2.3"}]}),
        ("Patient", {"identifier": [{"system": UUID, "value": "x"}]}),
        ("Patient", {"identifier": [{"system": "urn:oid:2.16.840.1.113883.4.1", "value": "1"}]}),
        ("Patient", {"identifier": [{"extension": OWN}]}),
        ("Patient", {"telecom": [{"system": "phone", "_value": {"extension": ABSENT}}]}),
        ("Observation", {"code": {"coding": [{"code": "x"}]}}),
        ("Observation", {"code": {"coding": [{"display": "x"}]}}),
        ("Observation", {"code": {"coding": [{"system": "urn:oid:1.2.3", "version": "1", "code": "x"}]}}),
        ("Observation", {"valueQuantity": {"value": 5, "comparator": ">="}}),
        ("Observation", {"valueQuantity": {"unit": "mg"}}),
        ("Observation", {"valueQuantity": {"value": 1, "system": UCUM, "code": "10*3/uL"}}),
        ("Observation", {"valueQuantity": {"value": 1, "system": UCUM, "code": "{score}"}}),
        ("Observation", {"valueQuantity": {"value": 1, "system": UCUM, "code": "mg/(24.h)"}}),
        ("Observation", {"valueQuantity": {"value": 1, "system": UCUM, "code": "1"}}),
        ("Observation", {"valueRatio": {"extension": OWN}}),
        ("Observation", {"valueRange": {"high": {"value": 1}}}),
        ("Observation", {"valuePeriod": {"start": "2026-02", "end": "2026"}}),
        ("Observation", {"valuePeriod": {"end": "2026"}}),
        (
            "Observation",
            {"valueSampledData": {"origin": {"value": 0}, "period": 1, "dimensions": 1, "data": "E"}},
        ),
        ("Observation", {"valueSampledData": {"origin": {"value": 0}, "period": 1, "dimensions": 2}}),
        (
            "Observation",
            {
                "valueSampledData": {
                    "origin": {"value": 0},
                    "period": 1,
                    "dimensions": 1,
                    "data": "-.5 0 L U 1.25",
                }
            },
        ),
        ("ServiceRequest", {"occurrenceTiming": {"event": ["2026", "2026-02-04T10:30:00Z"]}}),
        ("ServiceRequest", {"occurrenceTiming": {"code": {"text": "as needed"}}}),
        ("ServiceRequest", {"occurrenceTiming": {"repeat": {"when": ["ACM"], "offset": 0}}}),
        ("ServiceRequest", {"asNeededBoolean": False}),
    ],
    "references.html": [
        ("Condition", {"subject": {"identifier": {"value": "1"}}}),
        ("Condition", {"subject": {"display": "somebody"}}),
        ("Condition", {"subject": {"reference": "Patient/1/_history/2"}}),
        ("Condition", {"subject": {"reference": "https://a.example/some/base/Patient/1"}}),
        ("Condition", {"subject": {"reference": "urn:oid:1.2.3"}}),
        ("Condition", {"subject": {"reference": UUID, "type": "Patient"}}),
        ("Condition", {"subject": {"reference": "http://a.example/portal?person=1", "type": "Patient"}}),
        ("Condition", {"subject": {"reference": "Patient?identifier=http://a.example|1"}}),
        (
            "Condition",
            {"subject": {"type": "http://hl7.org/fhir/StructureDefinition/Patient", "display": "x"}},
        ),
        ("Condition", {"subject": {"extension": ABSENT}}),
        (
            "Condition",
            {
                "contained": [
                    patient("p", managingOrganization={"reference": "#o"}),
                    {"resourceType": "Organization", "id": "o", "name": "x"},
                ],
                "subject": {"reference": "#p"},
            },
        ),
        (
            "Patient",
            {
                "contained": [
                    {
                        "resourceType": "Provenance",
                        "target": [{"reference": "#"}],
                        "recorded": "2026-02-04T10:30:00Z",
                        "agent": [{"who": {"display": "x"}}],
                    }
                ]
            },
        ),
    ],
    "extensibility.html": [
        (
            "Patient",
            {"extension": [{"url": "http://a.example/e", "extension": [{"url": "part", "valueCode": "x"}]}]},
        ),
        (
            "Patient",
            {
                "extension": [
                    {
                        "url": "http://a.example/e",
                        "valueExpression": {"language": "text/cql", "expression": "("},
                    }
                ]
            },
        ),
        (
            "Patient",
            {"extension": [{"url": "http://a.example/e", "valueMoney": {"value": 1, "currency": "EUR"}}]},
        ),
        ("Patient", {"extension": [{"url": "http://a.example/e", "_valueString": {"extension": ABSENT}}]}),
        ("Patient", {"extension": [{"url": "http://a.example/e", "valueString": "x"}] * 2}),
    ],
    "narrative.html": [
        (
            "Patient",
            {
                "text": {
                    "status": "generated",
                    "div": f'<div xmlns="{XHTML}" xml:lang="de" lang="de">&#160;a &amp; b</div>',
                }
            },
        ),
        (
            "Patient",
            {
                "text": {
                    "status": "additional",
                    "div": f'<div xmlns="{XHTML}"><a name="x"/><img src="#i" alt="y"/></div>',
                }
            },
        ),
        ("Patient", {"text": {"status": "empty", "div": f'<h:div xmlns:h="{XHTML}"><h:p>a</h:p></h:div>'}}),
        (
            "Patient",
            {
                "text": {
                    "status": "generated",
                    "div": f'<div xmlns="{XHTML}"><!-- c --><p style="color: red">a</p></div>',
                }
            },
        ),
    ],
    "bundle.html": [
        ("Bundle", {"type": "transaction"}),
        ("Bundle", {"type": "batch", "entry": [{"request": {"method": "DELETE", "url": "Patient/1"}}]}),
        ("Bundle", {"type": "history", "total": 0}),
        (
            "Bundle",
            {
                "type": "history",
                "entry": [
                    {
                        "fullUrl": "http://a.example/Patient/1",
                        "request": {"method": "DELETE", "url": "Patient/1"},
                        "response": {"status": "204"},
                    },
                    {
                        "fullUrl": "http://a.example/Patient/1",
                        "resource": patient("1", meta={"versionId": "1"}),
                        "request": {"method": "PUT", "url": "Patient/1"},
                        "response": {"status": "201 Created", "etag": 'W/"1"'},
                    },
                ],
            },
        ),
        (
            "Bundle",
            {
                "type": "searchset",
                "total": 1,
                "link": [{"relation": "self", "url": "http://a.example/Patient?name=a"}],
                "entry": [
                    {
                        "fullUrl": "http://a.example/Patient/1",
                        "resource": patient("1"),
                        "search": {"mode": "match", "score": 0.5},
                    }
                ],
            },
        ),
    ],
    "questionnaire.html": [
        (
            "Questionnaire",
            {
                "item": [
                    {
                        "linkId": "a",
                        "type": "choice",
                        "answerOption": [{"valueInteger": 1}, {"valueDate": "2026"}],
                    }
                ]
            },
        ),
        ("Questionnaire", {"item": [{"linkId": "a", "type": "text", "initial": [{"valueString": "x"}]}]}),
        (
            "Questionnaire",
            {"item": [{"linkId": "a", "type": "open-choice", "initial": [{"valueString": "x"}]}]},
        ),
        (
            "Questionnaire",
            {
                "item": [
                    {"linkId": "a", "type": "decimal", "initial": [{"_valueDecimal": {"extension": ABSENT}}]}
                ]
            },
        ),
    ],
    "codesystem.html, valueset.html": [
        (
            "CodeSystem",
            {
                "concept": [
                    {
                        "code": "a",
                        "property": [
                            {"code": "inactive", "valueBoolean": True},
                            {"code": "parent", "valueCode": "b"},
                        ],
                    },
                    {"code": "b"},
                ]
            },
        ),
        ("ValueSet", {"compose": {"include": [{"valueSet": ["http://a.example/v|1"]}]}}),
        ("ValueSet", {"compose": {"include": [{"system": UCUM, "concept": [{"code": "mm[Hg]"}]}]}}),
        (
            "ValueSet",
            {
                "compose": {
                    "include": [
                        {
                            "system": "http://snomed.info/sct",
                            "filter": [{"property": "concept", "op": "is-a", "value": "1"}],
                        }
                    ]
                }
            },
        ),
        ("ValueSet", {"expansion": {"timestamp": "2026", "contains": [{"abstract": True, "display": "x"}]}}),
        (
            "ValueSet",
            {
                "compose": {
                    "include": [
                        {
                            "system": f"{V3}/v3-MaritalStatus",
                            "version": "1",
                            "concept": [{"code": "M", "display": "wed"}],
                        }
                    ]
                }
            },
        ),
    ],
    "operationdefinition.html, structuredefinition.html": [
        (
            "OperationDefinition",
            {"parameter": [{"name": "p", "use": "in", "min": 0, "max": "0", "type": "string"}]},
        ),
        (
            "OperationDefinition",
            {
                "parameter": [
                    {
                        "name": "p",
                        "use": "out",
                        "min": 1,
                        "max": "*",
                        "part": [{"name": "q", "use": "out", "min": 0, "max": "1", "type": "Any"}],
                    }
                ]
            },
        ),
        (
            "StructureDefinition",
            {
                "differential": {
                    "element": [
                        {
                            "id": "Patient.extension:a",
                            "path": "Patient.extension",
                            "sliceName": "a",
                            "max": "0",
                        }
                    ]
                }
            },
        ),
        (
            "StructureDefinition",
            {
                "baseDefinition": "http://a.example/unknown",
                "differential": {"element": [{"id": "Patient.name", "path": "Patient.name", "min": 1}]},
            },
        ),
    ],
    "location.html": [("Location", {"position": {"longitude": -180.0, "latitude": 90}})],
}


@pytest.mark.conformance("E1")
@pytest.mark.published("FHIR R4 (hl7.org/fhir/R4), the pages named")
@pytest.mark.parametrize("page", CASES)
def test_what_is_legal_and_unusual_is_not_told(page, tell):
    for type_, members in CASES[page]:
        base = dump({"resourceType": type_, **(BASES | MORE_BASES)[type_]}).decode()
        text = base[:-1] + f",{members}}}" if isinstance(members, str) else None
        tree = parse(text or dump(parse(base) | members))
        told = [one for one in check(tree) if one.rule != "dom-6"]
        assert told == [], members
    tell(f"{page}: no false alarm in {len(CASES[page])} legal and unusual resources")
