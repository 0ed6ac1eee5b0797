"""Invented resources, labelled as test data, that the clients send."""

import uuid
from typing import Any

HTEST = {"security": [{"system": "http://terminology.hl7.org/CodeSystem/v3-ActReason", "code": "HTEST"}]}
PATIENTS = "https://clinic.example.org/patients"
LOINC = "http://loinc.org"
BODY_WEIGHT = "29463-7"


def number() -> str:
    """A patient number nobody has yet."""
    return f"client-{uuid.uuid4()}"


def patient(value: str, family: str = "Scripted") -> dict[str, Any]:
    return {
        "resourceType": "Patient",
        "meta": HTEST,
        "identifier": [{"system": PATIENTS, "value": value}],
        "name": [{"family": family, "given": ["Test"]}],
    }


def weight(subject: str, kilograms: float = 72.5, day: str = "2026-03-06") -> dict[str, Any]:
    return {
        "resourceType": "Observation",
        "meta": HTEST,
        "status": "final",
        "code": {"coding": [{"system": LOINC, "code": BODY_WEIGHT, "display": "Body weight"}]},
        "subject": {"reference": subject},
        "effectiveDateTime": day,
        "valueQuantity": {
            "value": kilograms,
            "unit": "kg",
            "system": "http://unitsofmeasure.org",
            "code": "kg",
        },
    }


def transaction(value: str, weights: int) -> dict[str, Any]:
    """A transaction Bundle: a patient and weights that refer to it by its address in the Bundle."""
    address = f"urn:uuid:{uuid.uuid4()}"
    entries = [_entry(address, patient(value))]
    entries += [
        _entry(f"urn:uuid:{uuid.uuid4()}", weight(address, 70 + number / 10)) for number in range(weights)
    ]
    return {"resourceType": "Bundle", "type": "transaction", "entry": entries}


def fhirpath_patch(path: str, value: str) -> dict[str, Any]:
    """A FHIRPath Patch that replaces one string."""
    parts = [
        {"name": "type", "valueCode": "replace"},
        {"name": "path", "valueString": path},
        {"name": "value", "valueString": value},
    ]
    return {"resourceType": "Parameters", "parameter": [{"name": "operation", "part": parts}]}


def _entry(address: str, resource: dict[str, Any]) -> dict[str, Any]:
    return {
        "fullUrl": address,
        "resource": resource,
        "request": {"method": "POST", "url": resource["resourceType"]},
    }
