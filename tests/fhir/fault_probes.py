"""Single faults, each beside a valid control that differs in that alone, written from the specification.

Family -> section of the specification -> type of the resource -> cases: the members that make it wrong, those
that make it right (None takes a member away), and the element the fault has to be told at.
"""

from typing import Any

from service.fhir.json import Tree

__all__ = ["BASES", "PROBES", "made"]

Case = tuple[dict[str, Any], dict[str, Any], str]
XHTML = "http://www.w3.org/1999/xhtml"
HL7 = "http://hl7.org/fhir/StructureDefinition"
V3 = "http://terminology.hl7.org/CodeSystem"
UCUM = "http://unitsofmeasure.org"
UUID = "urn:uuid:c757873d-ec9a-4326-a141-556f43239520"
CODE = {"text": "x"}
PATIENT = {"reference": "Patient/1"}

BASES: dict[str, Tree] = {
    "Observation": {"status": "final", "code": CODE},
    "Patient": {},
    "Condition": {"subject": PATIENT},
    "Encounter": {"status": "finished", "class": {"system": f"{V3}/v3-ActCode", "code": "AMB"}},
    "Goal": {"lifecycleStatus": "active", "description": CODE, "subject": PATIENT},
    "Procedure": {"status": "completed", "subject": PATIENT},
    "Questionnaire": {"status": "draft"},
    "QuestionnaireResponse": {"status": "completed"},
    "Bundle": {"type": "collection"},
    "Parameters": {},
    "ValueSet": {"status": "draft"},
    "CodeSystem": {"status": "draft", "content": "complete"},
    "MedicationRequest": {
        "status": "active",
        "intent": "order",
        "medicationCodeableConcept": CODE,
        "subject": PATIENT,
    },
    "DocumentReference": {"status": "current", "content": [{"attachment": {"title": "x"}}]},
    "Provenance": {"target": [PATIENT], "recorded": "2026-02-04T10:30:00Z", "agent": [{"who": PATIENT}]},
    "Appointment": {"status": "proposed", "participant": [{"actor": PATIENT, "status": "accepted"}]},
    "Composition": {
        "status": "final",
        "type": CODE,
        "date": "2026-02-04",
        "author": [{"reference": "Practitioner/1"}],
        "title": "x",
    },
    "AllergyIntolerance": {
        "patient": PATIENT,
        "clinicalStatus": {
            "coding": [{"system": f"{V3}/allergyintolerance-clinical", "code": "active"}],
        },
    },
    "Immunization": {"status": "completed", "vaccineCode": CODE, "patient": PATIENT, "occurrenceString": "x"},
    "Location": {},
    "Timing": {},
}


def made(type_: str, members: dict[str, Any], bases: dict[str, Tree] = BASES) -> Tree:
    """Answer the resource of a probe: the least that is valid, with these members."""
    tree = {"resourceType": type_, **bases[type_], **members}
    return {name: value for name, value in tree.items() if value is not None}


def coded(system: str, code: str) -> Tree:
    return {"coding": [{"system": system, "code": code}]}


def div(content: str) -> Tree:
    return {"text": {"status": "generated", "div": f'<div xmlns="{XHTML}">{content}</div>'}}


def entry(type_: str = "Patient", address: str = UUID, **members: Any) -> Tree:
    return {"fullUrl": address, "resource": {"resourceType": type_, **members}}


def extended(name: str, where: str = "extension", **members: Any) -> Tree:
    return {where: [{"url": name if ":" in name else f"{HL7}/{name}", **members}]}


def values(name: str, at: str, wrong: list[Any], right: Any) -> list[Case]:
    """Several wrong values of one element of a Patient's or Observation's extension or value."""
    return [({name: one}, {name: right}, at) for one in wrong]


def own(type_: str, wrong: list[Any], right: Any) -> list[Case]:
    """Wrong values of a type that is met in an extension's value."""
    name = f"value{type_[0].upper()}{type_[1:]}"
    url = "http://example.org/e"
    return [
        (extended(url, **{name: one}), extended(url, **{name: right}), f"Patient.extension[0].{name}")
        for one in wrong
    ]


def quantity(code: str) -> Tree:
    return {"valueQuantity": {"value": 1, "system": UCUM, "code": code}}


PROBES: dict[str, dict[str, dict[str, list[Case]]]] = {
    "unknown elements": {
        "json.html, validation.html": {
            "Patient": [
                ({"birthdate": "2026"}, {"birthDate": "2026"}, "Patient.birthdate"),
                ({"nmae": [{"family": "A"}]}, {"name": [{"family": "A"}]}, "Patient.nmae"),
                ({"name": [{"first": "A"}]}, {"name": [{"given": ["A"]}]}, "Patient.name[0].first"),
                ({"animal": {"species": CODE}}, {"gender": "male"}, "Patient.animal"),
                ({"fhir_comments": ["x"]}, {"language": "en"}, "Patient.fhir_comments"),
                ({"_name": [{"id": "a"}]}, {"_active": {"id": "a"}, "active": True}, "Patient._name"),
                (
                    {"contact": [{"nam": {"text": "x"}}]},
                    {"contact": [{"name": {"text": "x"}}]},
                    "Patient.contact[0]",
                ),
            ],
            "Observation": [
                ({"valueAddress": {"text": "x"}}, {"valueString": "x"}, "Observation.valueAddress"),
                ({"value": "x"}, {"valueString": "x"}, "Observation.value"),
                ({"valuestring": "x"}, {"valueString": "x"}, "Observation.valuestring"),
                ({"code": {"code": "x"}}, {"code": CODE}, "Observation.code.code"),
                (
                    {"valueQuantity": {"value": 1, "units": "mg"}},
                    {"valueQuantity": {"value": 1, "unit": "mg"}},
                    "Observation.valueQuantity.units",
                ),
            ],
            "Encounter": [({"reason": [CODE]}, {"reasonCode": [CODE]}, "Encounter.reason")],
        }
    },
    "cardinality": {
        "conformance-rules.html#cardinality": {
            "Observation": [
                ({"status": None}, {}, "Observation.status"),
                ({"code": None}, {}, "Observation.code"),
                (
                    {"component": [{"valueString": "x"}]},
                    {"component": [{"code": CODE, "valueString": "x"}]},
                    "Observation.component[0]",
                ),
                ({"category": CODE}, {"category": [CODE]}, "Observation.category"),
                ({"method": [CODE]}, {"method": CODE}, "Observation.method"),
                ({"status": ["final"]}, {}, "Observation.status"),
                (
                    {"referenceRange": {"text": "x"}},
                    {"referenceRange": [{"text": "x"}]},
                    "Observation.referenceRange",
                ),
                (
                    {"issued": ["2026-02-04T10:30:00Z"]},
                    {"issued": "2026-02-04T10:30:00Z"},
                    "Observation.issued",
                ),
            ],
            "Condition": [({"subject": None}, {}, "Condition.subject")],
            "Goal": [
                ({"lifecycleStatus": None}, {}, "Goal.lifecycleStatus"),
                ({"description": None}, {}, "Goal"),
            ],
            "Patient": [
                (
                    {"link": [{"type": "refer"}]},
                    {"link": [{"other": PATIENT, "type": "refer"}]},
                    "Patient.link[0]",
                ),
                (
                    {"communication": [{"preferred": True}]},
                    {"communication": [{"language": CODE}]},
                    "Patient",
                ),
                ({"name": {"family": "A"}}, {"name": [{"family": "A"}]}, "Patient.name"),
                ({"name": [{"given": "A"}]}, {"name": [{"given": ["A"]}]}, "Patient.name[0].given"),
                ({"birthDate": ["2026"]}, {"birthDate": "2026"}, "Patient.birthDate"),
                ({"meta": [{"versionId": "1"}]}, {"meta": {"versionId": "1"}}, "Patient.meta"),
            ],
            "Provenance": [
                ({"agent": None}, {}, "Provenance.agent"),
                ({"agent": [{"role": [CODE]}]}, {}, "Provenance"),
            ],
            "Questionnaire": [
                (
                    {"item": [{"type": "string"}]},
                    {"item": [{"linkId": "a", "type": "string"}]},
                    "Questionnaire.item[0]",
                ),
                (
                    {"item": [{"linkId": "a"}]},
                    {"item": [{"linkId": "a", "type": "string"}]},
                    "Questionnaire.item[0]",
                ),
            ],
        }
    },
    "choices": {
        "formats.html#choice": {
            "Observation": [
                ({"valueString": "a", "valueInteger": 1}, {"valueString": "a"}, "Observation"),
                ({"valueString": "a", "valueBoolean": True}, {"valueBoolean": True}, "Observation"),
                (
                    {"effectiveDateTime": "2026", "effectivePeriod": {"start": "2026"}},
                    {"effectiveDateTime": "2026"},
                    "Observation",
                ),
                (
                    {"component": [{"code": CODE, "valueString": "a", "valueInteger": 1}]},
                    {"component": [{"code": CODE, "valueString": "a"}]},
                    "Observation.component[0]",
                ),
                ({"valueDecimal": 1}, {"valueInteger": 1}, "Observation.valueDecimal"),
            ],
            "Patient": [
                (
                    {"deceasedBoolean": True, "deceasedDateTime": "2026"},
                    {"deceasedDateTime": "2026"},
                    "Patient",
                ),
                (
                    {"multipleBirthBoolean": True, "multipleBirthInteger": 2},
                    {"multipleBirthInteger": 2},
                    "Patient",
                ),
                (
                    extended("http://example.org/e", valueString="a", valueCode="b"),
                    extended("http://example.org/e", valueString="a"),
                    "Patient.extension[0]",
                ),
            ],
            "MedicationRequest": [
                ({"medicationCodeableConcept": None}, {}, "MedicationRequest"),
                ({"medicationReference": {"reference": "Medication/1"}}, {}, "MedicationRequest"),
            ],
            "Immunization": [({"occurrenceString": None}, {}, "Immunization")],
        }
    },
    "JSON kinds": {
        "json.html#primitive": {
            "Observation": [
                ({"valueBoolean": "true"}, {"valueBoolean": True}, "Observation.valueBoolean"),
                ({"valueBoolean": 1}, {"valueBoolean": True}, "Observation.valueBoolean"),
                ({"valueInteger": "1"}, {"valueInteger": 1}, "Observation.valueInteger"),
                ({"valueInteger": True}, {"valueInteger": 1}, "Observation.valueInteger"),
                ({"valueString": 1}, {"valueString": "1"}, "Observation.valueString"),
                ({"valueString": {"a": "b"}}, {"valueString": "1"}, "Observation.valueString"),
                (
                    {"valueQuantity": {"value": "1.5"}},
                    {"valueQuantity": {"value": 1}},
                    "Observation.valueQuantity",
                ),
                ({"valueQuantity": 1}, {"valueQuantity": {"value": 1}}, "Observation.valueQuantity"),
                ({"subject": "Patient/1"}, {"subject": PATIENT}, "Observation.subject"),
                ({"code": "x"}, {}, "Observation.code"),
                ({"status": 1}, {}, "Observation.status"),
                ({"category": ["x"]}, {"category": [CODE]}, "Observation.category[0]"),
                ({"category": [[CODE]]}, {"category": [CODE]}, "Observation.category[0]"),
                ({"contained": [1]}, {}, "Observation.contained[0]"),
                ({"contained": [{"id": "a"}]}, {}, "Observation.contained[0]"),
                ({"contained": [{"resourceType": "Zork", "id": "a"}]}, {}, "Observation.contained[0]"),
            ],
        }
    },
    "empty and null": {
        "json.html, element.html ele-1": {
            "Observation": [
                ({"note": []}, {"note": [{"text": "x"}]}, "Observation.note"),
                ({"method": {}}, {"method": CODE}, "Observation.method"),
                ({"valueString": ""}, {"valueString": "x"}, "Observation.valueString"),
                ({"valueString": " \n"}, {"valueString": " x"}, "Observation.valueString"),
                ({"method": {"id": "a"}}, {"method": {"id": "a", "text": "x"}}, "Observation.method"),
                ({"note": [None]}, {"note": [{"text": "x"}]}, "Observation.note[0]"),
                (
                    {"code": {"coding": [{}]}},
                    {"code": {"coding": [{"code": "x"}]}},
                    "Observation.code.coding[0]",
                ),
            ],
            "Patient": [
                (
                    {"name": [{"given": ["A", None]}]},
                    {"name": [{"given": ["A", "B"]}]},
                    "Patient.name[0].given[1]",
                ),
                (
                    {"name": [{"given": ["A", None], "_given": [{"id": "x"}]}]},
                    {"name": [{"given": ["A", "B"], "_given": [{"id": "x"}, None]}]},
                    "Patient.name[0].given",
                ),
                (
                    {"name": [{"given": ["A", None], "_given": [None, {"id": "x"}]}]},
                    {"name": [{"given": ["A", "B"], "_given": [None, {"id": "x"}]}]},
                    "Patient.name[0].given[1]",
                ),
                (
                    {"name": [{"given": ["A", None], "_given": [{"id": "x"}, None]}]},
                    {"name": [{"given": ["A", "B"], "_given": [{"id": "x"}, None]}]},
                    "Patient.name[0].given[1]",
                ),
                (
                    {"_birthDate": {"id": "a"}},
                    {"birthDate": "2026", "_birthDate": {"id": "a"}},
                    "Patient.birthDate",
                ),
                ({"_birthDate": {}}, {"birthDate": "2026"}, "Patient.birthDate"),
                ({"_birthDate": "x"}, {"birthDate": "2026"}, "Patient.birthDate"),
                (
                    {"birthDate": "2026", "_birthDate": {"start": "x"}},
                    {"birthDate": "2026", "_birthDate": {"id": "x"}},
                    "Patient.birthDate.start",
                ),
            ],
        }
    },
    "primitive forms": {
        "datatypes.html#primitive": {
            "Patient": [
                *values("id", "Patient.id", ["a_b", "x" * 65, "a b", "ä"], "x" * 64),
                *values("language", "Patient.language", ["e n g", "english_language"], "en-US"),
                *values("implicitRules", "Patient.implicitRules", ["http://a b"], "http://a.example/b"),
                *own("code", ["a ", " a", "a  b"], "a b"),
                *own("uri", ["http://a b"], "http://a/b"),
                *own("url", ["a b"], "http://a/b"),
                *own("canonical", ["http://a b"], "http://a/b|1"),
                *own("oid", ["1.2.3", "urn:oid:3.1", "urn:oid:1.02"], "urn:oid:1.2.3"),
                *own("uuid", ["urn:uuid:1", UUID.upper(), UUID.removeprefix("urn:uuid:")], UUID),
                *own("base64Binary", ["a", "ab=", "a.bc", "====", "YWJj="], "YWJj"),
                *own("positiveInt", [0, -1, 2**31], 1),
                *own("unsignedInt", [-1, 2**31], 0),
                *own("integer", [2**31, -(2**31) - 1], -(2**31)),
                *own("id", ["a/b", ""], "a.b-C"),
                *own("string", ["x" * (1024 * 1024 + 1)], "x"),
                (
                    {"name": [{"id": "a b", "text": "x"}]},
                    {"name": [{"id": "a", "text": "x"}]},
                    "Patient.name[0].id",
                ),
            ],
        }
    },
    "dates and times": {
        "datatypes.html#dateTime": {
            "Patient": [
                *values(
                    "birthDate",
                    "Patient.birthDate",
                    [
                        "2026-02-30",
                        "2026-13",
                        "26-01-01",
                        "2026-1-1",
                        "2025-02-29",
                        "0000",
                        "2026-02-04T10:30:00Z",
                    ],
                    "2024-02-29",
                ),
                *own("time", ["24:00:00", "10:30", "10:60:00", "10:30:00Z"], "23:59:60.5"),
            ],
            "Observation": [
                *values(
                    "effectiveDateTime",
                    "Observation.effectiveDateTime",
                    [
                        "2026-02-04T10:30:00",
                        "2026-02-04T10:30+01:00",
                        "2026-02-04 10:30:00Z",
                        "2026-04-31T10:30:00Z",
                        "2026-02-04T25:00:00Z",
                        "2026-02-04T10:30:00+15:00",
                    ],
                    "2026-02-04T10:30:00.123+14:00",
                ),
                *values(
                    "issued",
                    "Observation.issued",
                    ["2026-02-04", "2026-02-04T10:30Z", "2026"],
                    "2026-02-04T10:30:00Z",
                ),
            ],
        }
    },
    "bindings": {
        "terminologies.html#strength": {
            "Observation": [
                ({"status": "finall"}, {}, "Observation.status"),
                ({"status": "Final"}, {}, "Observation.status"),
                (
                    {"valueQuantity": {"value": 1, "comparator": "=<"}},
                    {"valueQuantity": {"value": 1, "comparator": "<="}},
                    "Observation.valueQuantity.comparator",
                ),
            ],
            "Patient": [
                ({"gender": "M"}, {"gender": "male"}, "Patient.gender"),
                (
                    {"name": [{"use": "main", "text": "x"}]},
                    {"name": [{"use": "usual", "text": "x"}]},
                    "Patient.name[0].use",
                ),
                (
                    {"telecom": [{"system": "mobile", "value": "1"}]},
                    {"telecom": [{"system": "phone", "value": "1"}]},
                    "Patient.telecom[0].system",
                ),
                ({"address": [{"use": "x"}]}, {"address": [{"use": "home"}]}, "Patient.address[0].use"),
                (
                    {"identifier": [{"use": "x", "value": "1"}]},
                    {"identifier": [{"use": "old", "value": "1"}]},
                    "Patient.identifier[0].use",
                ),
                (
                    {"link": [{"other": PATIENT, "type": "x"}]},
                    {"link": [{"other": PATIENT, "type": "refer"}]},
                    "Patient.link[0].type",
                ),
                ({"text": {"status": "x", "div": div("a")["text"]["div"]}}, div("a"), "Patient.text.status"),
                (
                    {"communication": [{"language": coded("urn:ietf:bcp:47", "english_language")}]},
                    {"communication": [{"language": coded("urn:ietf:bcp:47", "en")}]},
                    "Patient.communication[0].language",
                ),
            ],
            "Condition": [
                (
                    {"clinicalStatus": coded("http://example.org/s", "active")},
                    {"clinicalStatus": coded(f"{V3}/condition-clinical", "active")},
                    "Condition.clinicalStatus",
                ),
                (
                    {"clinicalStatus": {"text": "x"}},
                    {"clinicalStatus": coded(f"{V3}/condition-clinical", "active")},
                    "Condition",
                ),
                (
                    {"onsetAge": {"value": 1, "system": UCUM, "code": "mg"}},
                    {"onsetAge": {"value": 1, "system": UCUM, "code": "a"}},
                    "Condition.onsetAge",
                ),
            ],
            "Goal": [({"lifecycleStatus": "x"}, {}, "Goal.lifecycleStatus")],
            "Encounter": [({"status": "done"}, {}, "Encounter.status")],
            "AllergyIntolerance": [
                ({"type": "x"}, {"type": "allergy"}, "AllergyIntolerance.type"),
                ({"category": ["food", "x"]}, {"category": ["food"]}, "AllergyIntolerance.category[1]"),
                (
                    {"verificationStatus": coded(f"{V3}/allergyintolerance-clinical", "active")},
                    {"clinicalStatus": coded(f"{V3}/allergyintolerance-clinical", "active")},
                    "AllergyIntolerance",
                ),
            ],
            "DocumentReference": [
                (
                    {"content": [{"attachment": {"contentType": "pdf"}}]},
                    {"content": [{"attachment": {"contentType": "application/pdf"}}]},
                    "DocumentReference.content[0].attachment.contentType",
                ),
            ],
            "Questionnaire": [
                (
                    {"item": [{"linkId": "a", "type": "number"}]},
                    {"item": [{"linkId": "a", "type": "decimal"}]},
                    "Questionnaire",
                ),
                ({"subjectType": ["Patients"]}, {"subjectType": ["Patient"]}, "Questionnaire.subjectType[0]"),
            ],
        }
    },
    "codes of systems": {
        "terminologies.html#system, ucum.org": {
            "Observation": [
                *(
                    (quantity(one), quantity("mg/dL"), "Observation.valueQuantity.code")
                    for one in ("mcg", "ml/hr", "Foo")
                ),
                (
                    {"category": [coded(f"{V3}/observation-category", "exams")]},
                    {"category": [coded(f"{V3}/observation-category", "exam")]},
                    "Observation.category[0].coding[0].code",
                ),
                (
                    {"interpretation": [coded(f"{V3}/v3-ObservationInterpretation", "ZZ")]},
                    {"interpretation": [coded(f"{V3}/v3-ObservationInterpretation", "H")]},
                    "Observation.interpretation[0]",
                ),
                (
                    {"dataAbsentReason": coded(f"{V3}/data-absent-reason", "gone")},
                    {"dataAbsentReason": coded(f"{V3}/data-absent-reason", "unknown")},
                    "Observation.dataAbsentReason",
                ),
                (
                    {"meta": {"security": [{"system": f"{V3}/v3-ActReason", "code": "HTESTX"}]}},
                    {"meta": {"security": [{"system": f"{V3}/v3-ActReason", "code": "HTEST"}]}},
                    "Observation.meta.security[0].code",
                ),
            ],
            "Patient": [
                (
                    {"maritalStatus": coded(f"{V3}/v3-MaritalStatus", "XX")},
                    {"maritalStatus": coded(f"{V3}/v3-MaritalStatus", "M")},
                    "Patient.maritalStatus",
                ),
            ],
            "Encounter": [
                (
                    {"class": {"system": f"{V3}/v3-ActCode", "code": "AMBU"}},
                    {"class": {"system": f"{V3}/v3-ActCode", "code": "AMB"}},
                    "Encounter.class.code",
                ),
            ],
        }
    },
    "references": {
        "references.html": {
            "Observation": [
                ({"subject": {"reference": "Practitioner/1"}}, {"subject": PATIENT}, "Observation.subject"),
                (
                    {"encounter": PATIENT},
                    {"encounter": {"reference": "Encounter/1"}},
                    "Observation.encounter",
                ),
                (
                    {"subject": {"reference": "http://a.example/fhir/Practitioner/1"}},
                    {"subject": {"reference": "http://a.example/fhir/Patient/1"}},
                    "Observation.subject",
                ),
                ({"subject": {"reference": "Patients/1"}}, {"subject": PATIENT}, "Observation.subject"),
                (
                    {"subject": {"type": "Practitioner", "display": "x"}},
                    {"subject": {"type": "Patient", "display": "x"}},
                    "Observation.subject.type",
                ),
                (
                    {"subject": {"type": "Group", "reference": "Patient/1"}},
                    {"subject": {"type": "Patient", "reference": "Patient/1"}},
                    "Observation.subject.type",
                ),
                (
                    {"subject": {"type": "Person1", "display": "x"}},
                    {"subject": {"type": "Device", "display": "x"}},
                    "Observation.subject.type",
                ),
                (
                    {"subject": {"reference": "#b"}, "contained": [{"resourceType": "Patient", "id": "a"}]},
                    {"subject": {"reference": "#a"}, "contained": [{"resourceType": "Patient", "id": "a"}]},
                    "Observation.subject",
                ),
                (
                    {
                        "subject": {"reference": "#a"},
                        "contained": [{"resourceType": "Practitioner", "id": "a"}],
                    },
                    {"subject": {"reference": "#a"}, "contained": [{"resourceType": "Patient", "id": "a"}]},
                    "Observation.subject",
                ),
                (
                    {"contained": [{"resourceType": "Patient", "id": "a"}]},
                    {"subject": {"reference": "#a"}, "contained": [{"resourceType": "Patient", "id": "a"}]},
                    "Observation",
                ),
                (
                    {"performer": [{"reference": "Encounter/1"}]},
                    {"performer": [PATIENT]},
                    "Observation.performer[0]",
                ),
            ],
            "Provenance": [
                ({"agent": [{"who": {"reference": "Goal/1"}}]}, {}, "Provenance.agent[0].who"),
            ],
            "QuestionnaireResponse": [
                (
                    {"questionnaire": "http://hl7.org/fhir/ValueSet/a"},
                    {"questionnaire": "http://hl7.org/fhir/Questionnaire/a"},
                    "QuestionnaireResponse.questionnaire",
                ),
            ],
        }
    },
    "extensions": {
        "extensibility.html, defining-extensions.html": {
            "Patient": [
                (extended("patient-birthTime", valueString="x"), {"active": True}, "Patient.extension[0]"),
                (
                    {"birthDate": "2026-02-04", "_birthDate": extended("patient-birthTime", valueString="x")},
                    {
                        "birthDate": "2026-02-04",
                        "_birthDate": extended("patient-birthTime", valueDateTime="2026-02-04T10:30:00Z"),
                    },
                    "Patient.birthDate.extension[0]",
                ),
                (
                    extended("patient-religion"),
                    extended("patient-religion", valueCodeableConcept=CODE),
                    "Patient.extension[0]",
                ),
                (
                    {"extension": extended("patient-cadavericDonor", valueBoolean=True)["extension"] * 2},
                    extended("patient-cadavericDonor", valueBoolean=True),
                    "Patient.extension",
                ),
                (
                    extended("patient-nothing", valueString="x"),
                    extended("http://a.example/x", valueString="x"),
                    "Patient",
                ),
                (
                    {"extension": [{"url": "x", "valueString": "x"}]},
                    extended("http://a.example/x", valueString="x"),
                    "Patient",
                ),
                (
                    extended("patient-animal", extension=[{"url": "breed", "valueCodeableConcept": CODE}]),
                    extended("patient-animal", extension=[{"url": "species", "valueCodeableConcept": CODE}]),
                    "Patient.extension[0]",
                ),
                (
                    extended(
                        "patient-animal",
                        extension=[
                            {"url": "species", "valueCodeableConcept": CODE},
                            {"url": "colour", "valueCodeableConcept": CODE},
                        ],
                    ),
                    extended("patient-animal", extension=[{"url": "species", "valueCodeableConcept": CODE}]),
                    "Patient.extension[0].extension[1]",
                ),
                (
                    extended("patient-animal", extension=[{"url": "species", "valueString": "x"}]),
                    extended("patient-animal", extension=[{"url": "species", "valueCodeableConcept": CODE}]),
                    "Patient.extension[0].extension[0]",
                ),
                (
                    {"_gender": extended("data-absent-reason", valueCode="gone")},
                    {"_birthDate": extended("data-absent-reason", valueCode="unknown")},
                    "Patient.gender.extension[0].valueCode",
                ),
                (
                    extended("http://a.example/x", "modifierExtension", valueString="x"),
                    extended("http://a.example/x", valueString="x"),
                    "Patient.modifierExtension[0]",
                ),
                (
                    extended(
                        "http://a.example/x", valueString="x", extension=[{"url": "y", "valueString": "x"}]
                    ),
                    extended("http://a.example/x", extension=[{"url": "y", "valueString": "x"}]),
                    "Patient.extension[0]",
                ),
                (
                    {"extension": [{"valueString": "x"}]},
                    extended("http://a.example/x", valueString="x"),
                    "Patient",
                ),
                (extended("goal-acceptance", valueString="x"), {"active": True}, "Patient.extension[0]"),
            ],
        }
    },
    "narrative": {
        "narrative.html, txt-1, txt-2": {
            "Patient": [
                *(
                    (div(one), div("<p>a</p>"), "Patient.text.div")
                    for one in (
                        "<script>x</script>",
                        "<p onclick='x'>a</p>",
                        "<form>a</form>",
                        "<iframe src='a'>a</iframe>",
                        "<a href='javascript:x'>a</a>",
                        "<style>p {}</style>a",
                        "<p style='background: url(http://a.example/b)'>a</p>",
                        "<object>a</object>",
                        "<link rel='stylesheet'/>a",
                        "<p>a",
                        " \n ",
                        "&nbsp;a",
                        "<font>a</font>",
                        "<x:p xmlns:x='http://a.example'>a</x:p>",
                    )
                ),
                ({"text": {"status": "generated", "div": "<div>a</div>"}}, div("a"), "Patient.text.div"),
                ({"text": {"status": "generated", "div": "a"}}, div("a"), "Patient.text.div"),
                ({"text": {"status": "generated"}}, div("a"), "Patient.text"),
                ({"text": {"div": f'<div xmlns="{XHTML}">a</div>'}}, div("a"), "Patient.text"),
            ],
        }
    },
    "invariants": {
        "the constraints of each page": {
            "Observation": [
                ({"valueString": "a", "dataAbsentReason": CODE}, {"valueString": "a"}, "Observation"),
                (
                    {"valueQuantity": {"value": 1, "code": "mg"}},
                    {"valueQuantity": {"value": 1, "code": "mg", "system": UCUM}},
                    "Observation.valueQuantity",
                ),
                (
                    {"referenceRange": [{"type": CODE}]},
                    {"referenceRange": [{"text": "a"}]},
                    "Observation.referenceRange[0]",
                ),
                (
                    {"effectivePeriod": {"start": "2026-02", "end": "2026-01"}},
                    {"effectivePeriod": {"start": "2026-01", "end": "2026-02"}},
                    "Observation.effectivePeriod",
                ),
            ],
            "Patient": [
                (
                    {"contact": [{"gender": "male"}]},
                    {"contact": [{"name": {"text": "a"}}]},
                    "Patient.contact[0]",
                ),
                (
                    {"telecom": [{"value": "1"}]},
                    {"telecom": [{"value": "1", "system": "phone"}]},
                    "Patient.telecom[0]",
                ),
            ],
            "Questionnaire": [
                (
                    {"item": [{"linkId": "a", "type": "display", "required": True}]},
                    {"item": [{"linkId": "a", "type": "string", "required": True}]},
                    "Questionnaire.item[0]",
                ),
                (
                    {"item": [{"linkId": "a", "type": "string"}] * 2},
                    {"item": [{"linkId": "a", "type": "string"}, {"linkId": "b", "type": "string"}]},
                    "Questionnaire",
                ),
            ],
            "Condition": [
                (
                    {
                        "verificationStatus": coded(f"{V3}/condition-ver-status", "entered-in-error"),
                        "clinicalStatus": coded(f"{V3}/condition-clinical", "active"),
                    },
                    {"verificationStatus": coded(f"{V3}/condition-ver-status", "entered-in-error")},
                    "Condition",
                ),
                (
                    {"abatementString": "x", "clinicalStatus": coded(f"{V3}/condition-clinical", "active")},
                    {"abatementString": "x", "clinicalStatus": coded(f"{V3}/condition-clinical", "resolved")},
                    "Condition",
                ),
            ],
            "Goal": [
                (
                    {"target": [{"detailString": "x"}]},
                    {"target": [{"detailString": "x", "measure": CODE}]},
                    "Goal.target[0]",
                ),
            ],
            "Parameters": [
                (
                    {"parameter": [{"name": "a"}]},
                    {"parameter": [{"name": "a", "valueString": "x"}]},
                    "Parameters.parameter[0]",
                ),
            ],
        }
    },
    "bundles": {
        "bundle.html, documents.html": {
            "Bundle": [
                ({"entry": [entry(address="Patient/1")]}, {"entry": [entry()]}, "Bundle.entry[0]"),
                ({"entry": [entry(), entry()]}, {"entry": [entry()]}, "Bundle"),
                ({"total": 1}, {"type": "searchset", "total": 1}, "Bundle"),
                ({"type": "documents"}, {}, "Bundle.type"),
                (
                    {"entry": [{"link": [{"relation": "a", "url": "b"}]}]},
                    {"entry": [entry()]},
                    "Bundle.entry[0]",
                ),
                (
                    {"entry": [entry(address="http://a.example/Patient/1", id="2")]},
                    {"entry": [entry(address="http://a.example/Patient/1", id="1")]},
                    "Bundle.entry[0]",
                ),
                (
                    {"entry": [entry(address="http://a.example/Patient/1/_history/1", id="1")]},
                    {"entry": [entry(address="http://a.example/Patient/1", id="1")]},
                    "Bundle.entry[0]",
                ),
                (
                    {"entry": [{**entry(), "request": {"method": "POST", "url": "Patient"}}]},
                    {
                        "type": "batch",
                        "entry": [{**entry(), "request": {"method": "POST", "url": "Patient"}}],
                    },
                    "Bundle",
                ),
                (
                    {
                        "type": "document",
                        "identifier": {"system": "http://a.example", "value": "1"},
                        "timestamp": "2026-02-04T10:30:00Z",
                        "entry": [entry()],
                    },
                    {},
                    "Bundle",
                ),
                ({"type": "message", "entry": [entry()]}, {}, "Bundle"),
                (
                    {"type": "searchset", "entry": [{**entry(id="1"), "search": {"mode": "outcome"}}]},
                    {"type": "searchset", "entry": [{**entry(id="1"), "search": {"mode": "match"}}]},
                    "Bundle.entry[0].resource",
                ),
                (
                    {"entry": [entry(gender="m")]},
                    {"entry": [entry(gender="male")]},
                    "Bundle.entry[0].resource.gender",
                ),
                (
                    {
                        "entry": [
                            entry(),
                            entry(
                                "Condition",
                                "urn:uuid:c757873d-ec9a-4326-a141-556f43239521",
                                subject={"reference": "urn:uuid:c757873d-ec9a-4326-a141-556f43239521"},
                            ),
                        ]
                    },
                    {
                        "entry": [
                            entry(),
                            entry(
                                "Condition",
                                "urn:uuid:c757873d-ec9a-4326-a141-556f43239521",
                                subject={"reference": UUID},
                            ),
                        ]
                    },
                    "Bundle.entry[1].resource.subject",
                ),
            ],
        }
    },
}
