"""The person: Patient, conditions behind the swallowing problem, research permission."""

from datetime import date

from service.fhir.canonical import CANONICAL_ROOT
from service.records.draft import HL7, US_CORE, Draft
from service.records.elements import Element, day, moment, present, reference
from service.records.narrative import narrative
from service.records.visit import Condition, Consent, Person

__all__ = ["add_conditions", "add_consent", "add_patient", "patient_elements"]

_CONSENT = {"permit": ("active", "permit"), "deny": ("active", "deny"), "withdrawn": ("inactive", "deny")}


def patient_elements(person: Person) -> Element:
    """The Patient elements a person block says something about."""
    telecom = [("phone", person.phone), ("email", person.email)]
    address = present(
        line=[person.address_line] if person.address_line else [],
        city=person.city,
        state=person.state,
        postalCode=person.postal_code,
        country=person.country,
    )
    return present(
        name=[{"family": person.family, "given": list(person.given)}],
        telecom=[{"system": system, "value": value} for system, value in telecom if value],
        gender=person.gender,
        birthDate=day(person.birth_date),
        address=[address] if address else [],
    )


def add_patient(draft: Draft, person: Person) -> None:
    """The Patient, created unless on file. The narrative names the identifier only."""
    one = draft.record.patient
    body = {"text": narrative("Patient", [("Identifier", one.value)]), **patient_elements(person)}
    draft.add_person(
        "Patient", one.system, one.value, body, profile=f"{US_CORE}us-core-patient" if person.gender else ""
    )


def add_conditions(draft: Draft) -> None:
    """The conditions given at this visit, as diagnoses of the visit."""
    for number, condition in enumerate(draft.record.conditions, 1):
        draft.conditions.append(_add_condition(draft, f"conditions/{number}", condition))


def _add_condition(draft: Draft, path: str, condition: Condition) -> str:
    coding = {
        name: draft.codes.coding(f"{HL7}condition-{system}", code)
        for name, system, code in [
            ("clinicalStatus", "clinical", "active"),
            ("verificationStatus", "ver-status", "confirmed"),
            ("category", "category", "encounter-diagnosis"),
        ]
    }
    code = _code_of(draft, condition)
    body = {
        "text": narrative(code["text"], [("Onset", str(condition.onset)), ("Note", condition.note or "")]),
        "clinicalStatus": {"coding": [coding["clinicalStatus"]]},
        "verificationStatus": {"coding": [coding["verificationStatus"]]},
        "category": [{"coding": [coding["category"]]}],
        "code": code,
        "subject": draft.subject(),
        "encounter": reference(draft.encounter),
        **_onset(condition),
        "recordedDate": moment(draft.start),
        "asserter": reference(draft.clinician()),
        **present(note=[{"text": condition.note}] if condition.note else []),
    }
    return draft.add("Condition", path, body, profile=f"{US_CORE}us-core-condition-encounter-diagnosis")


def _code_of(draft: Draft, condition: Condition) -> Element:
    if condition.code == "cause not known":
        return draft.codes.answer(condition.code)
    code = condition.code
    coding = present(system=code.system, code=code.code, display=code.display)
    return {"coding": [coding], "text": code.display or code.code}


def _onset(condition: Condition) -> Element:
    if isinstance(condition.onset, date):
        return {"onsetDateTime": day(condition.onset)}
    return {("onsetString" if condition.onset == "unknown" else "onsetDateTime"): condition.onset}


def add_consent(draft: Draft, consent: Consent) -> None:
    """The decision about research use: R4 Consent of scope research."""
    status, provision = _CONSENT[consent.decision]
    body = {
        "text": narrative("Research permission", [("Decision", consent.decision), ("Scope", consent.scope)]),
        "status": status,
        "scope": {"coding": [draft.codes.coding(f"{HL7}consentscope", "research")]},
        "category": [{"coding": [draft.codes.coding(f"{HL7}consentcategorycodes", "research")]}],
        "patient": draft.subject(),
        "dateTime": day(consent.date),
        "policy": [{"uri": f"{CANONICAL_ROOT}/policy/research-permission"}],
        "provision": {"type": provision, "code": [{"text": consent.scope}]},
    }
    draft.add("Consent", "consent", body)
