"""More single faults beside their controls, of families the first set has not: types, definitions, forms.

Many of these rules are told in words only. The form is that of ``fault_probes.py``.
"""

from typing import Any

from fault_probes import CODE, PATIENT, UCUM, UUID, V3, XHTML, Case, entry

__all__ = ["MORE_BASES", "MORE_PROBES"]

MORE_BASES: dict[str, dict[str, Any]] = {
    "ConceptMap": {"status": "draft"},
    "StructureDefinition": {
        "url": "http://a.example/StructureDefinition/p",
        "name": "P",
        "status": "draft",
        "kind": "resource",
        "abstract": False,
        "type": "Patient",
        "baseDefinition": "http://hl7.org/fhir/StructureDefinition/Patient",
        "derivation": "constraint",
    },
    "SearchParameter": {
        "url": "http://a.example/SearchParameter/p",
        "name": "p",
        "status": "draft",
        "description": "x",
        "code": "p",
        "base": ["Patient"],
        "type": "token",
    },
    "OperationDefinition": {
        "name": "P",
        "status": "draft",
        "kind": "operation",
        "code": "p",
        "system": False,
        "type": True,
        "instance": False,
    },
    "CapabilityStatement": {
        "status": "draft",
        "date": "2026",
        "kind": "requirements",
        "fhirVersion": "4.0.1",
        "format": ["json"],
        "description": "x",
        "rest": [{"mode": "server"}],
    },
    "List": {"status": "current", "mode": "working"},
    "Group": {"type": "person", "actual": True},
    "Medication": {},
    "NamingSystem": {
        "name": "N",
        "status": "draft",
        "kind": "root",
        "date": "2026",
        "uniqueId": [{"type": "other", "value": "x"}],
    },
    "ServiceRequest": {"status": "active", "intent": "order", "subject": PATIENT},
    "Consent": {
        "status": "active",
        "scope": CODE,
        "category": [CODE],
        "policyRule": CODE,
    },
    "ActivityDefinition": {"status": "draft"},
    "AuditEvent": {
        "type": {"system": "http://a.example", "code": "x"},
        "recorded": "2026-02-04T10:30:00Z",
        "agent": [{"requestor": True}],
        "source": {"observer": PATIENT},
    },
    "ImplementationGuide": {
        "url": "http://a.example/ImplementationGuide/g",
        "name": "G",
        "status": "draft",
        "packageId": "a.b",
        "fhirVersion": ["4.0.1"],
    },
}


def timed(**repeat: Any) -> dict[str, Any]:
    return {"occurrenceTiming": {"repeat": repeat}}


TIMING = "ServiceRequest.occurrenceTiming.repeat"


def sampled(data: str, **more: Any) -> dict[str, Any]:
    return {"valueSampledData": {"origin": {"value": 0}, "period": 10, "dimensions": 1, "data": data, **more}}


def asked(*items: dict[str, Any]) -> dict[str, Any]:
    """Items of a form; each has a linkId of its own."""
    return {"item": [{"linkId": f"q{place}", "text": "x", **item} for place, item in enumerate(items)]}


def shown_when(type_: str, operator: str, **answer: Any) -> dict[str, Any]:
    when = {"question": "q0", "operator": operator, **answer}
    more = {"answerOption": [{"valueString": "a"}]} if type_ == "open-choice" else {}
    return asked({"type": type_, **more}, {"type": "string", "enableWhen": [when]})


def concepts(*codes: str, **more: Any) -> dict[str, Any]:
    return {"url": "http://a.example/c", "concept": [{"code": code} for code in codes], **more}


def included(**include: Any) -> dict[str, Any]:
    return {"compose": {"include": [include]}}


def mapped(**target: Any) -> dict[str, Any]:
    element = {"code": "a", "target": [target]}
    return {"group": [{"source": "http://a.example/a", "target": "http://a.example/b", "element": [element]}]}


def differs(*elements: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {"differential": {"element": [{"id": "Patient", "path": "Patient"}, *elements]}, **more}


def said(id_: str, **more: Any) -> dict[str, Any]:
    return {"id": id_, "path": id_.partition(":")[0], **more}


def parameter(**more: Any) -> dict[str, Any]:
    return {"parameter": [{"name": "p", "use": "in", "min": 0, "max": "1", "type": "string", **more}]}


def rest(**more: Any) -> dict[str, Any]:
    return {"rest": [{"mode": "server", **more}]}


def patient(id_: str, **more: Any) -> dict[str, Any]:
    return {"resourceType": "Patient", "id": id_, **more}


TIMINGS: list[Case] = [
    (timed(duration=1), timed(duration=1, durationUnit="h"), TIMING),
    (timed(period=1), timed(period=1, periodUnit="d"), TIMING),
    (timed(duration=-1, durationUnit="h"), timed(duration=1, durationUnit="h"), TIMING),
    (timed(period=-1, periodUnit="d"), timed(period=1, periodUnit="d"), TIMING),
    (timed(durationMax=2, durationUnit="h"), timed(duration=1, durationMax=2, durationUnit="h"), TIMING),
    (timed(periodMax=2, periodUnit="d"), timed(period=1, periodMax=2, periodUnit="d"), TIMING),
    (timed(countMax=2), timed(count=1, countMax=2), TIMING),
    (timed(offset=5), timed(offset=5, when=["ACM"]), TIMING),
    (timed(offset=5, when=["C"]), timed(offset=5, when=["AC"]), TIMING),
    (timed(timeOfDay=["08:00:00"], when=["AC"]), timed(timeOfDay=["08:00:00"]), TIMING),
    (timed(dayOfWeek=["monday"]), timed(dayOfWeek=["mon"]), f"{TIMING}.dayOfWeek[0]"),
    (timed(count=0), timed(count=1), f"{TIMING}.count"),
    (
        timed(boundsRange={"low": {"value": 2}, "high": {"value": 1}}),
        timed(boundsRange={"low": {"value": 1}, "high": {"value": 2}}),
        f"{TIMING}.boundsRange",
    ),
]

MORE_PROBES: dict[str, dict[str, dict[str, list[Case]]]] = {
    "timings": {"datatypes.html#Timing, tim-1 to tim-10": {"ServiceRequest": TIMINGS}},
    "sampled data": {
        "datatypes.html#SampledData": {
            "Observation": [
                (sampled("1,2,3"), sampled("1 2 3"), "Observation.valueSampledData.data"),
                (sampled("1 2 x"), sampled("1 2 E"), "Observation.valueSampledData.data"),
                (sampled("1  2"), sampled("1 -2.5"), "Observation.valueSampledData.data"),
                (sampled("1 2", dimensions=0), sampled("1 2"), "Observation.valueSampledData.dimensions"),
                (
                    sampled("1 2", origin={"value": 1, "comparator": "<"}),
                    sampled("1 2", origin={"value": 1}),
                    "Observation.valueSampledData.origin",
                ),
            ]
        }
    },
    "quantities": {
        "datatypes.html#quantity, Ratio, Range, Money": {
            "Observation": [
                (
                    {"valueRatio": {"numerator": {"value": 1}}},
                    {"valueRatio": {"numerator": {"value": 1}, "denominator": {"value": 2}}},
                    "Observation.valueRatio",
                ),
                (
                    {"valueRange": {"low": {"value": 1, "comparator": "<"}}},
                    {"valueRange": {"low": {"value": 1}}},
                    "Observation.valueRange.low",
                ),
                (
                    {"valueQuantity": {"value": 1, "comparator": "=<"}},
                    {"valueQuantity": {"value": 1, "comparator": "<="}},
                    "Observation.valueQuantity.comparator",
                ),
                (
                    {"valueQuantity": {"value": 1, "system": UCUM, "code": "times"}},
                    {"valueQuantity": {"value": 1, "system": UCUM, "code": "{times}"}},
                    "Observation.valueQuantity.code",
                ),
            ],
            "Condition": [
                (
                    {"onsetAge": {"value": 3, "system": UCUM, "code": "mg"}},
                    {"onsetAge": {"value": 3, "system": UCUM, "code": "a"}},
                    "Condition.onsetAge",
                ),
                (
                    {"onsetAge": {"value": 3, "system": "http://a.example", "code": "a"}},
                    {"onsetAge": {"value": 3, "system": UCUM, "code": "a"}},
                    "Condition.onsetAge",
                ),
                (
                    {"onsetAge": {"value": -3, "system": UCUM, "code": "a"}},
                    {"onsetAge": {"value": 3, "system": UCUM, "code": "a"}},
                    "Condition.onsetAge",
                ),
            ],
        }
    },
    "addresses of systems": {
        "datatypes.html#Coding, #Identifier, #uri": {
            "Patient": [
                (
                    {"identifier": [{"system": "urn:uuid:x", "value": "1"}]},
                    {"identifier": [{"system": UUID, "value": "1"}]},
                    "Patient.identifier[0].system",
                ),
                (
                    {"identifier": [{"system": "urn:oid:1.2.x", "value": "1"}]},
                    {"identifier": [{"system": "urn:oid:1.2.3", "value": "1"}]},
                    "Patient.identifier[0].system",
                ),
                (
                    {
                        "maritalStatus": {
                            "coding": [{"system": "http://hl7.org/fhir/ValueSet/marital-status", "code": "M"}]
                        }
                    },
                    {"maritalStatus": {"coding": [{"system": f"{V3}/v3-MaritalStatus", "code": "M"}]}},
                    "Patient.maritalStatus.coding[0].system",
                ),
                (
                    {"identifier": [{"value": "1", "assigner": {"reference": "Patient/1"}}]},
                    {"identifier": [{"value": "1", "assigner": {"reference": "Organization/1"}}]},
                    "Patient.identifier[0].assigner",
                ),
                (
                    {"photo": [{"contentType": "image", "url": "http://a.example"}]},
                    {"photo": [{"contentType": "image/png", "url": "http://a.example"}]},
                    "Patient.photo[0].contentType",
                ),
                (
                    {"photo": [{"data": "AAAA"}]},
                    {"photo": [{"data": "AAAA", "contentType": "image/png"}]},
                    "Patient.photo[0]",
                ),
            ],
            "Location": [
                (
                    {"position": {"longitude": 181, "latitude": 0}},
                    {"position": {"longitude": 180, "latitude": 0}},
                    "Location.position.longitude",
                ),
                (
                    {"position": {"longitude": 0, "latitude": -91}},
                    {"position": {"longitude": 0, "latitude": -90}},
                    "Location.position.latitude",
                ),
            ],
        }
    },
    "told as warnings": {
        "datatypes.html#Coding, #Identifier": {
            "Observation": [
                (
                    {"code": {"coding": [{"system": "teeth", "code": "M"}]}},
                    {"code": {"coding": [{"system": "http://a.example/teeth", "code": "M"}]}},
                    "Observation.code.coding[0].system",
                ),
            ],
            "Patient": [
                (
                    {"identifier": [{"system": "mrn", "value": "1"}]},
                    {"identifier": [{"system": "http://a.example/mrn", "value": "1"}]},
                    "Patient.identifier[0].system",
                ),
                (
                    {
                        "maritalStatus": {
                            "coding": [{"system": f"{V3}/v3-MaritalStatus", "code": "M", "display": "x"}]
                        }
                    },
                    {
                        "maritalStatus": {
                            "coding": [
                                {"system": f"{V3}/v3-MaritalStatus", "code": "M", "display": "Married"}
                            ]
                        }
                    },
                    "Patient.maritalStatus.coding[0].display",
                ),
            ],
        }
    },
    "contained resources": {
        "references.html#contained, dom-2 to dom-5": {
            "Condition": [
                (
                    {"contained": [{"resourceType": "Patient"}]},
                    {"contained": [patient("p")], "subject": {"reference": "#p"}},
                    "Condition",
                ),
                ({"contained": [patient("p")]}, {}, "Condition"),
                (
                    {"contained": [patient("p", contained=[patient("q")])], "subject": {"reference": "#p"}},
                    {"contained": [patient("p")], "subject": {"reference": "#p"}},
                    "Condition",
                ),
                (
                    {"contained": [patient("p", meta={"versionId": "1"})], "subject": {"reference": "#p"}},
                    {
                        "contained": [patient("p", meta={"tag": [{"code": "x"}]})],
                        "subject": {"reference": "#p"},
                    },
                    "Condition",
                ),
                (
                    {"contained": [patient("p"), patient("p")], "subject": {"reference": "#p"}},
                    {"contained": [patient("p")], "subject": {"reference": "#p"}},
                    "Condition.contained[1]",
                ),
                ({"subject": {"reference": "#q"}}, {}, "Condition.subject"),
            ]
        }
    },
    "references in words": {
        "references.html#literal, #logical": {
            "Condition": [
                (
                    {"subject": {"reference": "Patient"}},
                    {"subject": {"reference": "Patient/1"}},
                    "Condition.subject",
                ),
                (
                    {"subject": {"reference": "/Patient/1"}},
                    {"subject": {"reference": "Patient/1"}},
                    "Condition.subject",
                ),
                (
                    {"subject": {"reference": "Patient/a_b"}},
                    {"subject": {"reference": "Patient/a-b"}},
                    "Condition.subject",
                ),
            ]
        }
    },
    "forms": {
        "questionnaire.html": {
            "Questionnaire": [
                (
                    shown_when("string", "exists", answerString="a"),
                    shown_when("string", "exists", answerBoolean=True),
                    "Questionnaire.item[1].enableWhen[0]",
                ),
                (
                    asked({"type": "integer", "initial": [{"valueString": "1"}]}),
                    asked({"type": "integer", "initial": [{"valueInteger": 1}]}),
                    "Questionnaire.item[0].initial[0]",
                ),
                (
                    asked({"type": "group", "initial": [{"valueString": "1"}]}),
                    asked({"type": "string", "initial": [{"valueString": "1"}]}),
                    "Questionnaire.item[0]",
                ),
                (
                    asked({"type": "string", "initial": [{"valueString": "a"}, {"valueString": "b"}]}),
                    asked(
                        {
                            "type": "string",
                            "repeats": True,
                            "initial": [{"valueString": "a"}, {"valueString": "b"}],
                        }
                    ),
                    "Questionnaire.item[0]",
                ),
                (
                    asked({"type": "boolean", "answerOption": [{"valueString": "a"}]}),
                    asked({"type": "choice", "answerOption": [{"valueString": "a"}]}),
                    "Questionnaire.item[0]",
                ),
                (
                    asked({"type": "integer", "answerOption": [{"valueString": "a"}]}),
                    asked({"type": "integer", "answerOption": [{"valueInteger": 1}]}),
                    "Questionnaire.item[0].answerOption[0]",
                ),
                (
                    asked({"type": "date", "maxLength": 3}),
                    asked({"type": "string", "maxLength": 3}),
                    "Questionnaire.item[0]",
                ),
                (
                    asked({"type": "group"}),
                    asked({"type": "group", "item": [{"linkId": "i", "type": "string"}]}),
                    "Questionnaire.item[0]",
                ),
                (
                    asked(
                        {
                            "type": "choice",
                            "answerValueSet": "http://a.example/v",
                            "answerOption": [{"valueString": "a"}],
                        }
                    ),
                    asked({"type": "choice", "answerValueSet": "http://a.example/v"}),
                    "Questionnaire.item[0]",
                ),
                (
                    asked(
                        {"type": "string"},
                        {
                            "type": "string",
                            "enableWhen": [{"question": "q0", "operator": "exists", "answerBoolean": True}]
                            * 2,
                        },
                    ),
                    asked(
                        {"type": "string"},
                        {
                            "type": "string",
                            "enableBehavior": "all",
                            "enableWhen": [{"question": "q0", "operator": "exists", "answerBoolean": True}]
                            * 2,
                        },
                    ),
                    "Questionnaire.item[1]",
                ),
            ]
        }
    },
    "code systems and value sets": {
        "codesystem.html, valueset.html": {
            "CodeSystem": [
                (concepts("a", "a"), concepts("a", "b"), "CodeSystem"),
                (
                    {"concept": [{"code": "a", "property": [{"code": "p", "valueCode": "x"}]}]},
                    {
                        "property": [{"code": "p", "type": "code"}],
                        "concept": [{"code": "a", "property": [{"code": "p", "valueCode": "x"}]}],
                    },
                    "CodeSystem.concept[0].property[0]",
                ),
                (
                    {
                        "property": [{"code": "p", "type": "boolean"}],
                        "concept": [{"code": "a", "property": [{"code": "p", "valueString": "x"}]}],
                    },
                    {
                        "property": [{"code": "p", "type": "boolean"}],
                        "concept": [{"code": "a", "property": [{"code": "p", "valueBoolean": True}]}],
                    },
                    "CodeSystem.concept[0].property[0]",
                ),
                (
                    {"content": "supplement", "concept": [{"code": "a"}]},
                    {
                        "content": "supplement",
                        "supplements": "http://a.example/c",
                        "concept": [{"code": "a"}],
                    },
                    "CodeSystem",
                ),
            ],
            "ValueSet": [
                (
                    included(concept=[{"code": "a"}]),
                    included(system="http://a.example/c", concept=[{"code": "a"}]),
                    "ValueSet.compose.include[0]",
                ),
                (
                    included(
                        system="http://a.example/c",
                        concept=[{"code": "a"}],
                        filter=[{"property": "p", "op": "=", "value": "x"}],
                    ),
                    included(
                        system="http://a.example/c", filter=[{"property": "p", "op": "=", "value": "x"}]
                    ),
                    "ValueSet.compose.include[0]",
                ),
                (
                    included(version="1"),
                    included(system="http://a.example/c", version="1"),
                    "ValueSet.compose.include[0]",
                ),
                (
                    included(system=f"{V3}/v3-MaritalStatus", concept=[{"code": "ZZ"}]),
                    included(system=f"{V3}/v3-MaritalStatus", concept=[{"code": "M"}]),
                    "ValueSet.compose.include[0].concept[0]",
                ),
                (
                    {"expansion": {"timestamp": "2026", "contains": [{"display": "x"}]}},
                    {
                        "expansion": {
                            "timestamp": "2026",
                            "contains": [{"display": "x", "system": "a:b", "code": "c"}],
                        }
                    },
                    "ValueSet.expansion.contains[0]",
                ),
                (
                    {"expansion": {"timestamp": "2026", "contains": [{"code": "x"}]}},
                    {"expansion": {"timestamp": "2026", "contains": [{"system": "a:b", "code": "x"}]}},
                    "ValueSet.expansion.contains[0]",
                ),
                (
                    included(
                        system=f"{V3}/v3-MaritalStatus",
                        filter=[{"property": "concept", "op": "isa", "value": "M"}],
                    ),
                    included(
                        system=f"{V3}/v3-MaritalStatus",
                        filter=[{"property": "concept", "op": "is-a", "value": "M"}],
                    ),
                    "ValueSet.compose.include[0].filter[0].op",
                ),
            ],
            "ConceptMap": [
                (
                    mapped(code="b", equivalence="inexact"),
                    mapped(code="b", equivalence="inexact", comment="x"),
                    "ConceptMap.group[0].element[0].target[0]",
                ),
                (
                    {"group": [{"unmapped": {"mode": "fixed"}, "element": [{"code": "a"}]}]},
                    {"group": [{"unmapped": {"mode": "fixed", "code": "x"}, "element": [{"code": "a"}]}]},
                    "ConceptMap.group[0].unmapped",
                ),
                (
                    {"group": [{"unmapped": {"mode": "other-map"}, "element": [{"code": "a"}]}]},
                    {
                        "group": [
                            {
                                "unmapped": {"mode": "other-map", "url": "http://a.example"},
                                "element": [{"code": "a"}],
                            }
                        ]
                    },
                    "ConceptMap.group[0].unmapped",
                ),
            ],
        }
    },
    "definitions": {
        "structuredefinition.html, elementdefinition.html, operationdefinition.html": {
            "StructureDefinition": [
                (
                    differs(said("Patient.nmae", min=1)),
                    differs(said("Patient.name", min=1)),
                    "StructureDefinition",
                ),
                (
                    differs(said("Patient.name", min=2, max="1")),
                    differs(said("Patient.name", min=1, max="1")),
                    "StructureDefinition.differential.element[1]",
                ),
                (
                    differs(
                        said(
                            "Patient.active",
                            constraint=[
                                {"key": "a-1", "severity": "error", "human": "x", "expression": "a ="}
                            ],
                        )
                    ),
                    differs(
                        said(
                            "Patient.active",
                            constraint=[
                                {"key": "a-1", "severity": "error", "human": "x", "expression": "a = 1"}
                            ],
                        )
                    ),
                    "StructureDefinition.differential.element[1].constraint[0]",
                ),
                (
                    differs(said("Patient.active", max="x")),
                    differs(said("Patient.active", max="1")),
                    "StructureDefinition.differential.element[1]",
                ),
                (
                    differs({"id": "Group", "path": "Group"}),
                    differs(),
                    "StructureDefinition",
                ),
            ],
            "SearchParameter": [
                ({"expression": "Patient.("}, {"expression": "Patient.name"}, "SearchParameter.expression"),
                ({"expression": "Group.name"}, {"expression": "Patient.name"}, "SearchParameter.expression"),
                ({"xpath": "f:Patient"}, {"xpath": "f:Patient", "xpathUsage": "normal"}, "SearchParameter"),
                (
                    {"chain": ["name"]},
                    {"type": "reference", "target": ["Group"], "expression": "Patient.link.other"},
                    "SearchParameter",
                ),
            ],
            "OperationDefinition": [
                (parameter(min=2), parameter(min=1), "OperationDefinition.parameter[0]"),
                (parameter(max="x"), parameter(max="*"), "OperationDefinition.parameter[0].max"),
                (
                    parameter(searchType="token", type="date"),
                    parameter(searchType="token"),
                    "OperationDefinition.parameter[0]",
                ),
            ],
            "CapabilityStatement": [
                (
                    rest(resource=[{"type": "Patient"}, {"type": "Patient"}]),
                    rest(resource=[{"type": "Patient"}, {"type": "Group"}]),
                    "CapabilityStatement.rest[0]",
                ),
                (
                    rest(resource=[{"type": "Patient", "searchParam": [{"name": "a", "type": "token"}] * 2}]),
                    rest(resource=[{"type": "Patient", "searchParam": [{"name": "a", "type": "token"}]}]),
                    "CapabilityStatement.rest[0].resource[0]",
                ),
                (
                    {"kind": "instance"},
                    {"kind": "instance", "implementation": {"description": "x"}},
                    "CapabilityStatement",
                ),
            ],
        }
    },
    "lists, groups, orders": {
        "list.html, group.html, appointment.html, namingsystem.html": {
            "List": [
                (
                    {"entry": [{"item": PATIENT, "deleted": True}]},
                    {"mode": "changes", "entry": [{"item": PATIENT, "deleted": True}]},
                    "List",
                ),
                (
                    {"emptyReason": CODE, "entry": [{"item": PATIENT}]},
                    {"entry": [{"item": PATIENT}]},
                    "List",
                ),
            ],
            "Group": [
                (
                    {"actual": False, "member": [{"entity": PATIENT}]},
                    {"member": [{"entity": PATIENT}]},
                    "Group",
                ),
            ],
            "Appointment": [
                (
                    {"start": "2026-02-04T10:30:00Z"},
                    {"start": "2026-02-04T10:30:00Z", "end": "2026-02-04T11:00:00Z"},
                    "Appointment",
                ),
                ({"status": "booked"}, {}, "Appointment"),
                (
                    {"participant": [{"status": "accepted"}]},
                    {"participant": [{"status": "accepted", "type": [CODE]}]},
                    "Appointment.participant[0]",
                ),
            ],
            "NamingSystem": [
                (
                    {
                        "uniqueId": [
                            {"type": "other", "value": "x", "preferred": True},
                            {"type": "other", "value": "y", "preferred": True},
                        ]
                    },
                    {"uniqueId": [{"type": "other", "value": "x", "preferred": True}]},
                    "NamingSystem",
                ),
            ],
            "Consent": [({"policyRule": None}, {}, "Consent")],
            "Immunization": [
                (
                    {"education": [{"presentationDate": "2026"}]},
                    {"education": [{"documentType": "x"}]},
                    "Immunization.education[0]",
                ),
            ],
            "AllergyIntolerance": [
                (
                    {"clinicalStatus": None},
                    {},
                    "AllergyIntolerance",
                ),
            ],
        }
    },
    "bundles in words": {
        "bundle.html, http.html": {
            "Bundle": [
                (
                    {"type": "transaction", "entry": [entry()]},
                    {
                        "type": "transaction",
                        "entry": [{**entry(), "request": {"method": "POST", "url": "Patient"}}],
                    },
                    "Bundle",
                ),
                (
                    {"type": "batch-response", "entry": [entry()]},
                    {"type": "batch-response", "entry": [{**entry(), "response": {"status": "201"}}]},
                    "Bundle",
                ),
                (
                    {"entry": [{**entry(), "search": {"mode": "match"}}]},
                    {"type": "searchset", "entry": [{**entry(id="1"), "search": {"mode": "match"}}]},
                    "Bundle",
                ),
                (
                    {
                        "type": "searchset",
                        "entry": [{**entry(id="1"), "search": {"mode": "match", "score": 2}}],
                    },
                    {
                        "type": "searchset",
                        "entry": [{**entry(id="1"), "search": {"mode": "match", "score": 1}}],
                    },
                    "Bundle.entry[0].search.score",
                ),
                (
                    {
                        "type": "transaction",
                        "entry": [{**entry(), "request": {"method": "post", "url": "Patient"}}],
                    },
                    {
                        "type": "transaction",
                        "entry": [{**entry(), "request": {"method": "POST", "url": "Patient"}}],
                    },
                    "Bundle.entry[0].request.method",
                ),
            ]
        }
    },
    "narratives in words": {
        "narrative.html": {
            "Patient": [
                (
                    {"text": {"status": "generated", "div": f'<div xmlns="{XHTML}"><p>a</p></div><p/>'}},
                    {"text": {"status": "generated", "div": f'<div xmlns="{XHTML}"><p>a</p></div>'}},
                    "Patient.text.div",
                ),
                (
                    {"text": {"status": "none", "div": f'<div xmlns="{XHTML}">a</div>'}},
                    {"text": {"status": "empty", "div": f'<div xmlns="{XHTML}">a</div>'}},
                    "Patient.text.status",
                ),
                (
                    {
                        "text": {
                            "status": "generated",
                            "div": f'<div xmlns="{XHTML}"><img src="a.png" onerror="x"/></div>',
                        }
                    },
                    {
                        "text": {
                            "status": "generated",
                            "div": f'<div xmlns="{XHTML}"><img src="a.png" alt="x"/></div>',
                        }
                    },
                    "Patient.text.div",
                ),
            ]
        }
    },
}
