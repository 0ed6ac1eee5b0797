"""What a person states about a goal, apart from any visit: the goal's state and the Observation that says it.

Pure. It is the same Observation a visit record makes of what was stated at the visit, so the newest statement
wins wherever it came from.
"""

from dataclasses import dataclass

from service.records.decision import DECISIONS, Author, labels_of
from service.records.draft import HL7
from service.records.elements import Element, coded, present, reference, text, whole
from service.records.narrative import observation_narrative
from service.records.parts import target
from service.records.stored import Resource, reference_to
from service.terminology.codes import Codes

__all__ = ["Computed", "Said", "goal_as_stated", "goal_statement", "statement_components"]

_ACHIEVEMENT = f"{HL7}goal-achievement"
_GOAL_STATUS = "http://hl7.org/fhir/goal-status"


@dataclass(frozen=True, slots=True)
class Said:
    """A state of a goal by its codes; what is empty stays as it is."""

    lifecycle: str = ""
    achievement: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Computed:
    """The computed status that a statement answers: its code, rule, the day it holds for, the engine."""

    status: str
    rule: int
    as_of: str
    engine: str

    @property
    def words(self) -> str:
        """One line for people."""
        return f"Goal attainment {self.engine}: {self.status} as of {self.as_of} (rule {self.rule})"


def goal_as_stated(goal: Resource, said: Said, author: Author, codes: Codes) -> Resource:
    """The goal in the state that is stated; its reason is the new one or none."""
    rest = {name: value for name, value in goal.items() if name != "statusReason"}
    achievement = _listed(codes, _ACHIEVEMENT, said.achievement)
    return {
        **rest,
        **present(lifecycleStatus=said.lifecycle, achievementStatus=achievement),
        "statusDate": author.day,
        **present(statusReason=said.reason),
    }


def goal_statement(  # noqa: PLR0913 - what a statement consists of
    goal: Resource, said: Said, author: Author, *, id_: str, computed: Computed | None, codes: Codes
) -> Resource:
    """The Observation of a statement about ``goal``, which is in the state already.

    It tells the whole state, so that it explains the goal's whatever was stated before. ``id_`` names the
    statement for good.
    """
    achievement = goal.get("achievementStatus")
    observation = {
        "resourceType": "Observation",
        **present(meta=present(security=labels_of(goal))),
        "identifier": [{"system": DECISIONS, "value": id_}],
        "status": "final",
        "category": [{"coding": [codes.coding(f"{HL7}observation-category", "exam")]}],
        "code": codes.concept("goal-stated-status"),
        "subject": reference(target(goal.get("subject"))),
        "focus": [reference(reference_to(goal))],
        "effectiveDateTime": author.moment,
        "performer": [author.who],
        "component": [
            *statement_components(
                codes, _listed(codes, _GOAL_STATUS, goal.get("lifecycleStatus", "")), achievement, said.reason
            ),
            *(_computed(computed, codes) if computed else []),
        ],
    }
    return {**observation, "text": observation_narrative(observation)}


def statement_components(
    codes: Codes, lifecycle: Element | None, achievement: Element | None, reason: str | None
) -> list[Element]:
    """The components of a statement; of what was not said there is none."""
    parts = {
        "lifecycle-status": coded(lifecycle) if lifecycle else None,
        "achievement-status": coded(achievement) if achievement else None,
        "status-reason": text(reason) if reason else None,
    }
    return [{"code": codes.concept(code), **value} for code, value in parts.items() if value]


def _computed(computed: Computed, codes: Codes) -> list[Element]:
    status = _listed(codes, _ACHIEVEMENT, computed.status)
    parts = {
        "goal-status-computed": coded(status) if status else {},
        "status-rule": whole(computed.rule),
        "computed-as-of": {"valueDateTime": computed.as_of},
    }
    return [{"code": codes.concept(code), **value} for code, value in parts.items()]


def _listed(codes: Codes, system: str, code: str) -> Element | None:
    """The concept of one code of a list; None for none, or one that the list does not have."""
    if not codes.has(system, code):
        return None
    return {"coding": [codes.coding(system, code)], "text": codes.display(system, code)}
