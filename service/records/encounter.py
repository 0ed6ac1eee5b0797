"""The visit: Encounter, care team, episode of care, referrals."""

from service.records.draft import HL7, PFE, US_CORE, Draft
from service.records.elements import Element, coded, day, moment, present, reference
from service.records.narrative import narrative
from service.records.signature import signature
from service.records.visit import Practitioner

__all__ = ["add_care_team", "add_encounter", "add_ending", "add_episode", "add_referrals", "visit_period"]


def visit_period(draft: Draft) -> Element:
    """The visit's Period; open where no end was given."""
    end = draft.record.visit.end
    if end is not None and end.tzinfo is None:
        end = end.replace(tzinfo=draft.start.tzinfo)
    return present(start=moment(draft.start), end=moment(end) if end else None)


def add_encounter(draft: Draft, episode: str) -> None:
    """The Encounter; ``episode`` is the reference of its EpisodeOfCare, or empty."""
    visit = draft.record.visit
    home = visit.type == "home call"
    type_ = draft.codes.answer(visit.type)
    signed = signature(draft)
    people = [("responsible-clinician", visit.clinician), ("supervisor", visit.supervisor)]
    body = {
        "text": narrative(f"Visit: {type_['text']}", [("Start", moment(draft.start))]),
        **present(extension=signed),
        "status": "finished",
        "class": draft.codes.coding(f"{HL7}v3-ActCode", "HH" if home else "AMB"),
        "type": [type_],
        "subject": draft.subject(),
        **present(episodeOfCare=[reference(episode)] if episode else []),
        "participant": [
            {"type": [draft.codes.answer(role)], "individual": reference(draft.practitioner(person))}
            for role, person in people
            if person
        ],
        "period": visit_period(draft),
        **present(reasonReference=[reference(one) for one in draft.conditions]),
    }
    draft.add("Encounter", "", body, profile=f"{US_CORE}us-core-encounter")


def add_care_team(draft: Draft) -> None:
    """Who cared for the person at this visit: clinician, supervisor, and others the record names."""
    visit = draft.record.visit
    people: dict[str, Practitioner] = {}
    for person in (visit.clinician, visit.supervisor, *draft.record.care_team):
        if person:
            people.setdefault(draft.practitioner(person), person)
    body = {
        "text": narrative("Care team", [("Members", str(len(people)))]),
        "status": "active",
        "subject": draft.subject(),
        "encounter": reference(draft.encounter),
        "period": {"start": moment(draft.start)},
        "participant": [
            {"role": [draft.codes.answer(person.role)], "member": reference(url)}
            for url, person in people.items()
        ],
    }
    draft.add("CareTeam", "care-team", body)


def add_episode(draft: Draft) -> str:
    """The episode of care that the record says began; answers its reference, empty if it says nothing."""
    start = draft.record.visit.episode_start
    if start is None:
        return ""
    body = {
        "text": narrative("Episode of care", [("Start", day(start))]),
        "status": "active",
        "patient": draft.subject(),
        "period": {"start": day(start)},
        "careManager": reference(draft.clinician()),
    }
    return draft.add("EpisodeOfCare", "episode", body)


def add_ending(draft: Draft, reason: str) -> None:
    """Why the episode of care ended; R4's EpisodeOfCare has no element for it."""
    draft.observe("reason-for-ending", "reason-for-ending", ("survey",), coded(draft.codes.answer(reason)))


def add_referrals(draft: Draft) -> None:
    """Referrals made at this visit."""
    for number, referral in enumerate(draft.record.referrals, 1):
        body = {
            "text": narrative("Referral", [("To", referral.to), ("Reason", referral.reason)]),
            "status": "active",
            "intent": "order",
            "code": draft.codes.concept("referral", text=f"Referral: {referral.to}"),
            "subject": draft.subject(),
            "encounter": reference(draft.encounter),
            "authoredOn": moment(draft.start),
            "requester": reference(draft.clinician()),
            "performerType": {"text": referral.to},
            "reasonCode": [{"text": referral.reason}],
        }
        draft.add("ServiceRequest", f"referrals/{number}", body, profile=f"{PFE}pfe-service-request")
