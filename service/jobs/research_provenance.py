"""The Provenance that travels with a research export."""

from typing import Any

from service import __version__
from service.deidentify.policy import Deidentifier
from service.fhir.canonical import CANONICAL_ROOT

__all__ = ["provenance"]


def provenance(deidentify: Deidentifier, *, id_: str, day: str) -> dict[str, Any]:
    """Say by which policy and engine the export was made.

    R4 wants ``recorded`` as an instant. It is the start (UTC) of the day of release ``day`` (YYYY-MM-DD): a
    date of the export, not of any person in it, and needed to understand the ages. The agent is the engine,
    never a person; the target is the whole export, named rather than listed, so that the file can stream.
    """
    return {
        "resourceType": "Provenance",
        "id": id_,
        "meta": {"security": deidentify.labels},
        "target": [{"display": "every resource of this export"}],
        "recorded": f"{day}T00:00:00Z",
        "policy": [f"{CANONICAL_ROOT}/policies/{deidentify.name}|{deidentify.version}"],
        "activity": {
            "coding": [
                {
                    "system": "http://terminology.hl7.org/CodeSystem/iso-21089-lifecycle",
                    "code": "deidentify",
                    "display": "De-Identify (Anononymize) Record Lifecycle Event",
                }
            ]
        },
        "agent": [{"who": {"display": f"swallow-interop {__version__}, de-identification"}}],
    }
