"""Create, search and page with a standard FHIR client (fhirpy, from PyPI) against the running demo.

    python examples/clients/fhirpy_pages.py http://127.0.0.1:8080/fhir demo-data/demo-tokens.json

Creates one invented, labelled patient with three weight observations, finds them, and walks the closure
trials of the whole demo page by page.
"""

import asyncio
import json
import sys
import uuid
from pathlib import Path
from typing import Any

from fhirpy import AsyncFHIRClient

HTEST = {"security": [{"system": "http://terminology.hl7.org/CodeSystem/v3-ActReason", "code": "HTEST"}]}
TRIAL = "https://swallow-interop.example.org/fhir/CodeSystem/swallow-observation|trial-closure"


async def main(base: str, token: str) -> None:
    client = AsyncFHIRClient(base, authorization=f"Bearer {token}")

    patient = client.resource("Patient", **_patient(f"fhirpy-{uuid.uuid4()}"))
    await patient.save()
    print("created", patient.to_reference().reference)

    for kilograms in ("72.50", "72.10", "71.90"):
        await client.resource("Observation", **_weight(patient, kilograms)).save()
    weights = client.resources("Observation").search(patient=patient.id, code="29463-7")
    print("weights found", len(await weights.fetch_all()))

    trials = client.resources("Observation").search(code=TRIAL).limit(100)
    seen = [trial.id async for trial in trials]
    print("closure trials", len(seen), "in pages of 100, each once:", len(seen) == len(set(seen)))


def _patient(number: str) -> dict[str, Any]:
    return {
        "meta": HTEST,
        "identifier": [{"system": "https://clinic.example.org/patients", "value": number}],
        "name": [{"family": "Scripted", "given": ["Test"]}],
    }


def _weight(patient: Any, kilograms: str) -> dict[str, Any]:
    return {
        "meta": HTEST,
        "status": "final",
        "code": {"coding": [{"system": "http://loinc.org", "code": "29463-7", "display": "Body weight"}]},
        "subject": patient.to_reference(),
        "effectiveDateTime": "2026-03-06",
        "valueQuantity": {
            "value": float(kilograms),
            "unit": "kg",
            "system": "http://unitsofmeasure.org",
            "code": "kg",
        },
    }


if __name__ == "__main__":
    address, tokens_file = sys.argv[1:]
    asyncio.run(main(address, json.loads(Path(tokens_file).read_text("utf-8"))["integrator"]))
