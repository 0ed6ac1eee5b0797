"""The endoscopy of a visit, what was given for it and how it was tolerated; vital signs."""

from decimal import Decimal

from service.records.draft import Draft
from service.records.elements import (
    Element,
    absent,
    extension,
    measured,
    moment,
    present,
    quantity,
    reference,
    text,
)
from service.records.narrative import narrative
from service.records.visit import Adverse, Anaesthetic, Endoscopy, VitalSigns

__all__ = ["add_endoscopy", "add_vital_signs", "procedure_status"]

_R4 = "http://hl7.org/fhir/StructureDefinition/"


def procedure_status(endoscopy: Endoscopy | None) -> Element:
    """Status, and its reason, of a procedure done with the endoscope."""
    if endoscopy is None or endoscopy.in_place != "stopped early":
        return {"status": "completed"}
    return {"status": "stopped", **present(statusReason=present(text=endoscopy.reason))}


def add_endoscopy(draft: Draft, endoscopy: Endoscopy) -> None:
    """What was noted about the endoscopy, the agents given and the adverse events."""
    agents = endoscopy.anaesthetic if isinstance(endoscopy.anaesthetic, list) else []
    events = endoscopy.tolerance if isinstance(endoscopy.tolerance, list) else []
    draft.observe(
        "endoscopy",
        "endoscopy-conditions",
        ("exam",),
        components=[
            *draft.answered("endoscope-in-place", endoscopy.in_place),
            *draft.component("reason-not-rated", text(endoscopy.reason) if endoscopy.reason else None),
            *draft.answered("anaesthetic-given", _given(endoscopy.anaesthetic)),
            *draft.answered(
                "adverse-event-seen",
                "no adverse event" if endoscopy.tolerance == "no adverse event" else None,
            ),
            *[part for event in events for part in draft.answered("adverse-event-seen", event.event)],
        ],
    )
    for number, agent in enumerate(agents, 1):
        _add_agent(draft, f"anaesthetic/{number}", agent)
    for number, event in enumerate(events, 1):
        _add_adverse(draft, f"adverse/{number}", event)


def _given(anaesthetic: list[Anaesthetic] | str | None) -> str | None:
    if anaesthetic is None:
        return None
    return "yes" if isinstance(anaesthetic, list) and anaesthetic else "no"


def _add_agent(draft: Draft, path: str, agent: Anaesthetic) -> None:
    side = draft.codes.answer(agent.side) if agent.side else None
    amount = quantity(agent.dose, agent.unit) if agent.dose is not None and agent.unit else None
    said = f"{agent.dose} {agent.unit}" if amount else ""
    body = {
        "text": narrative(agent.agent, [("Dose", said), ("Side", side["text"] if side else "")]),
        "status": "completed",
        "medicationCodeableConcept": {"text": agent.agent},
        "subject": draft.subject(),
        "context": reference(draft.encounter),
        "effectiveDateTime": moment(draft.start),
        "performer": [{"actor": reference(draft.clinician())}],
        # mad-1: a dosage has a dose or a rate; a side without one can only be said in words.
        **present(
            dosage=present(site=side, dose=amount) if amount else None,
            note=[{"text": f"Side: {agent.side}"}] if side and not amount else [],
        ),
    }
    draft.add("MedicationAdministration", path, body)


def _add_adverse(draft: Draft, path: str, event: Adverse) -> None:
    code = draft.codes.answer(event.event)
    said = [("adverse-event-action", event.action), ("adverse-event-note", event.note)]
    body = {
        "text": narrative(f"Adverse event: {code['text']}", [("Done about it", event.action or "")]),
        **present(extension=[extension(name, text(words)) for name, words in said if words]),
        "actuality": "actual",
        "event": code,
        "subject": draft.subject(),
        "encounter": reference(draft.encounter),
        "date": moment(draft.start),
        "recorder": reference(draft.clinician()),
    }
    draft.add("AdverseEvent", path, body)


def add_vital_signs(draft: Draft, signs: VitalSigns) -> None:
    """Vital signs, each as its R4 profile wants it."""
    single = [
        ("heart-rate", signs.heart_rate, "/min", "heartrate"),
        ("oxygen-saturation", signs.oxygen_saturation, "%", "oxygensat"),
    ]
    for code, value, unit, profile in single:
        if value is not None:
            path = f"vital-signs/{code}"
            draft.observe(path, code, ("vital-signs",), measured(value, unit), profile=_R4 + profile)
    if signs.systolic is not None or signs.diastolic is not None:
        pressures = [("systolic", signs.systolic), ("diastolic", signs.diastolic)]
        draft.observe(
            "vital-signs/blood-pressure",
            "blood-pressure",
            ("vital-signs",),
            components=[
                part
                for name, value in pressures
                for part in draft.component(f"{name}-blood-pressure", _pressure(value))
            ],
            profile=f"{_R4}bp",
        )


def _pressure(value: Decimal | None) -> Element:
    return absent("unknown", "Unknown") if value is None else measured(value, "mm[Hg]")
