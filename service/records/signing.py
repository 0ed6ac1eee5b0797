"""A stored visit is signed, or co-signed: its extension, and its parts as they are once it is final.

Pure. R4's word for waiting is changed to its word for final in each part that says it, or for amended in one
that was signed before.
"""

from collections.abc import Collection, Iterable
from typing import Literal

from service.records.amendment import is_added, with_signature
from service.records.elements import Element, reference
from service.records.identity import full_url
from service.records.parts import identifiers, in_error
from service.records.preliminary import amending, signature_parts
from service.records.signature import AMENDED, FINAL, PRELIMINARY
from service.records.stored import Resource, reference_to

__all__ = ["SIGNERS", "awaited", "signatory", "signed_visit", "whole"]

SIGNERS = ("licensed", "student", "assistant")
"""Standings of who signs."""
Awaited = Literal["", "signature", "co-signature"]
_BEFORE = {
    "CarePlan": "active",
    "Consent": "active",
    "DiagnosticReport": "final",
    "Goal": "active",
    "Observation": "final",
    "QuestionnaireResponse": "completed",
    "ServiceRequest": "active",
}


def awaited(encounter: Resource) -> Awaited:
    """What a visit waits for; empty if it is final."""
    parts = signature_parts(encounter)
    if not any(one.get("valueCode") == "preliminary" for one in parts):
        return ""
    return "co-signature" if any(one.get("url") == "signed-by" for one in parts) else "signature"


def signatory(encounter: Resource) -> str:
    """The reference of who signed; empty if nobody did."""
    found = signature_parts(encounter, "signed-by")
    return str(next((one["valueReference"].get("reference", "") for one in found), ""))


def signed_visit(encounter: Resource, who: str, moment: str, signer: str, licence: str) -> Resource:
    """The visit with one more signature, by ``who`` (``Practitioner/1``) at a FHIR dateTime.

    ``signer`` is the standing of who signs first, ``licence`` the number of the licence of who co-signs.
    """
    verb = "signed" if awaited(encounter) == "signature" else "co-signed"
    kept = [part for part in signature_parts(encounter) if part.get("url") != "status"]
    final = verb == "co-signed" or signer == "licensed"
    whole_ = AMENDED if amending(encounter) else "final"
    parts: list[Element] = [{"url": "status", "valueCode": whole_ if final else "preliminary"}, *kept]
    parts.append({"url": f"{verb}-by", "valueReference": reference(who)})
    parts += [] if signer == "licensed" else [{"url": "signed-as", "valueString": signer}]
    parts.append({"url": f"{verb}-at", "valueDateTime": moment})
    parts += [{"url": "licence", "valueString": licence}] if licence else []
    return with_signature(encounter, parts)


def whole(encounter: Resource, parts: Iterable[Resource], never_signed: Collection[str]) -> Element:
    """The transaction of a signed visit: it, and its parts as they are once final; each by its id.

    ``never_signed`` are references of parts that wait and never were.
    """
    final = [
        _final(one, never_signed) for one in parts if not in_error(one) and one["resourceType"] != "Encounter"
    ]
    return {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [
            {
                "fullUrl": next(full_url(*name) for name in identifiers(one)),
                "resource": one,
                "request": {"method": "PUT", "url": reference_to(one)},
            }
            for one in [encounter, *final]
        ],
    }


def _final(part: Resource, never_signed: Collection[str]) -> Resource:
    type_ = part["resourceType"]
    name, waiting = PRELIMINARY.get(type_, ("", ""))
    if not name or part.get(name) != waiting:
        return part
    was_signed = type_ in FINAL and not is_added(part, never_signed)
    return {**part, name: AMENDED if was_signed else _BEFORE[type_]}
