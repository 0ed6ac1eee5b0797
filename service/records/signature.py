"""How a visit's record was signed, in FHIR: the Encounter's extension, and the status of every part.

A record that is a draft, or signed by somebody whose work another has to co-sign, is preliminary: its parts
say so in the words R4 has for each type. R4 has none for Encounter, Procedure, Flag and AdverseEvent, as what
they tell of did take place, nor a fitting one for Condition, CareTeam and EpisodeOfCare.
"""

from collections.abc import Mapping
from datetime import datetime

from service.records.draft import Draft
from service.records.elements import Element, extension, moment, reference
from service.records.visit import Practitioner, Signature

__all__ = ["AMENDED", "FINAL", "PRELIMINARY", "as_signed", "is_amendment", "is_preliminary", "signature"]

PRELIMINARY: Mapping[str, tuple[str, str]] = {
    "CarePlan": ("status", "draft"),
    "Consent": ("status", "draft"),
    "DiagnosticReport": ("status", "preliminary"),
    "Goal": ("lifecycleStatus", "proposed"),
    "Observation": ("status", "preliminary"),
    "QuestionnaireResponse": ("status", "in-progress"),
    "ServiceRequest": ("status", "draft"),
}
"""By type the element and the code that say a part is not final."""
FINAL: Mapping[str, str] = {
    "DiagnosticReport": "final",
    "Observation": "final",
    "QuestionnaireResponse": "completed",
}
"""Types that can say they were amended, and what they say before."""
AMENDED = "amended"


def is_preliminary(signed: Signature | None) -> bool:
    """Whether a record waits for a signature; one that says nothing of it was signed where it comes from."""
    return signed is not None and (
        signed.state == "draft"
        or (signed.state == AMENDED and signed.signed_at is None)
        or (signed.signer != "licensed" and signed.co_signed_by is None)
    )


def is_amendment(signed: Signature | None) -> bool:
    """Whether a record changes one that was signed."""
    return signed is not None and signed.state == AMENDED


def signature(draft: Draft) -> list[Element]:
    """The Encounter's extension that says how the record was signed; none if the record says nothing."""
    signed = draft.record.signature
    if signed is None:
        return []
    parts: list[Element] = [{"url": "status", "valueCode": _status(signed)}]
    if signed.signed_at:
        parts += _signed(draft, "signed", signed.signed_by, signed.signed_at)
        parts += _text("signed-as", None if signed.signer == "licensed" else signed.signer)
    if signed.co_signed_by:
        parts += _signed(draft, "co-signed", signed.co_signed_by, signed.co_signed_at)
        parts += _text("licence", signed.co_signer_licence)
    reason = signed.reason if is_amendment(signed) else None
    return [extension("visit-signature", [*parts, *_text("reason", reason)])]


def _status(signed: Signature) -> str:
    if is_preliminary(signed):
        return "preliminary"
    return AMENDED if is_amendment(signed) else "final"


def _signed(draft: Draft, verb: str, person: Practitioner | None, when: datetime | None) -> list[Element]:
    who: Element = {"url": f"{verb}-by", "valueReference": reference(draft.clinician(person))}
    return [who, *([{"url": f"{verb}-at", "valueDateTime": moment(when)}] if when else [])]


def _text(url: str, value: str | None) -> list[Element]:
    return [{"url": url, "valueString": value}] if value else []


def as_signed(bundle: Element, signed: Signature | None) -> Element:
    """The record's Bundle, its parts with the status that the signature gives them.

    Which parts an amendment changed, and which of them wait for its signature, ``amendment.py`` tells.
    """
    if is_amendment(signed):
        said: Mapping[str, tuple[str, str]] = dict.fromkeys(FINAL, ("status", AMENDED))
    elif is_preliminary(signed):
        said = PRELIMINARY
    else:
        return bundle
    return {**bundle, "entry": [_saying(entry, said) for entry in bundle["entry"]]}


def _saying(entry: Element, said: Mapping[str, tuple[str, str]]) -> Element:
    resource = entry["resource"]
    if resource["resourceType"] not in said:
        return entry
    name, code = said[resource["resourceType"]]
    return {**entry, "resource": {**resource, name: code}}
