"""Safety: screen before breath-holding, clearance, red flags."""

from service.fhir.canonical import CANONICAL_ROOT
from service.records.draft import HL7, Draft
from service.records.elements import Element, coded, day, moment, reference
from service.records.identity import encoded
from service.records.narrative import narrative
from service.records.protocols import red_flag_items, screen_items
from service.records.visit import Clearance, SafetyScreen
from service.terminology.codes import OBSERVATION, VALUE, slug

__all__ = ["SAFETY_SCREEN", "add_clearance", "add_red_flags", "add_safety_screen"]

SAFETY_SCREEN = f"{CANONICAL_ROOT}/Questionnaire/breath-hold-safety-screen"
_CLEARANCE_FLAGS = {"not cleared": "breath-hold-not-cleared", "limited": "breath-hold-limited"}


def add_safety_screen(draft: Draft, screen: SafetyScreen) -> None:
    """The answered caution list."""
    known = screen_items()
    asked = [(key, known[key].display if key in known else key, said) for key, said in screen.items.items()]
    body = {
        "text": narrative("Safety screen before breath-holding", [(label, said) for _, label, said in asked]),
        "questionnaire": SAFETY_SCREEN,
        "status": "completed",
        "subject": draft.subject(),
        "encounter": reference(draft.encounter),
        "authored": day(screen.date),
        "author": reference(draft.clinician(screen.by)),
        "source": draft.subject(),
        "item": [
            {"linkId": key, "text": label, "answer": [{"valueCoding": draft.codes.coding(VALUE, slug(said))}]}
            for key, label, said in asked
        ],
    }
    draft.add("QuestionnaireResponse", "safety-screen", body)


def add_clearance(draft: Draft, clearance: Clearance) -> None:
    """The physician's decision, and a Flag where breath-holding is limited or not allowed."""
    physician = draft.practitioner(clearance.by)
    draft.observe(
        "clearance",
        "breath-hold-clearance",
        ("exam",),
        coded(draft.codes.answer(clearance.decision)),
        components=draft.answered("effort-limit", clearance.effort_limit),
        effective=day(clearance.date),
        performer=[physician],
        notes=[clearance.note] if clearance.note else [],
    )
    if code := _CLEARANCE_FLAGS.get(clearance.decision):
        concept = draft.codes.concept(code)
        _add_flag(draft, "clearance/flag", concept, day(clearance.date), physician)


def add_red_flags(draft: Draft, answers: dict[str, str]) -> None:
    """The red-flag checklist, and a Flag for every yes."""
    concepts = {key: _red_flag(draft, key) for key in answers}
    draft.observe(
        "red-flags",
        "red-flag-checklist",
        ("survey",),
        components=[
            {"code": concepts[key], **coded(draft.codes.answer(said))} for key, said in answers.items()
        ],
    )
    for key in (key for key, said in answers.items() if said == "yes"):
        path = f"red-flags/{encoded(slug(key))}"
        _add_flag(draft, path, concepts[key], moment(draft.start), draft.clinician())


def _red_flag(draft: Draft, key: str) -> Element:
    if draft.codes.has(OBSERVATION, slug(key)):
        return draft.codes.concept(slug(key))
    item = red_flag_items().get(key)
    return {"text": item.display if item else key}


def _add_flag(draft: Draft, path: str, code: Element, since: str, author: str) -> None:
    body = {
        "text": narrative(f"Flag: {code['text']}", [("Since", since)]),
        "status": "active",
        "category": [{"coding": [draft.codes.coding(f"{HL7}flag-category", "safety")]}],
        "code": code,
        "subject": draft.subject(),
        "period": {"start": since},
        "encounter": reference(draft.encounter),
        "author": reference(author),
    }
    draft.add("Flag", path, body)
