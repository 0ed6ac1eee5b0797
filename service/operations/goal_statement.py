"""``Goal/[id]/$accept-status`` and ``$override-status``: a person states where a goal stands.

Both write a new version of the Goal, the Observation of the statement (the same that a visit record makes of
what was stated at the visit) and a Provenance that tells which computed status it answers.
"""

from dataclasses import dataclass
from datetime import date

from service.attainment.answers import GoalAnswer, PatientAnswer
from service.errors import Conflict, RuleViolation
from service.fhir.canonical import CANONICAL_ROOT
from service.fhir.references import local_target
from service.interactions.context import Context
from service.operations.decision import (
    Decided,
    Looked,
    Writing,
    author_of,
    look,
    refuse,
    without_code,
    without_reason,
    write,
)
from service.operations.goal_attainment import compute
from service.records.decision import Activity, Decision
from service.records.elements import Element
from service.records.goal_statement import Computed, Said, goal_as_stated, goal_statement
from service.records.parts import extension_value, in_error, target
from service.records.stored import reference_to
from service.security.principal import Principal
from service.store.contract import Store, Transaction
from service.terminology.codes import Codes

__all__ = ["accept_status", "override_status"]

_ENGINE = f"{CANONICAL_ROOT}/engine"
_ACHIEVEMENT = "http://hl7.org/fhir/ValueSet/goal-achievement"
_LIFECYCLE = "http://hl7.org/fhir/ValueSet/goal-status"


@dataclass(frozen=True, slots=True)
class _Case:
    """A goal that is looked at, and what is computed for it."""

    goal: Looked
    answer: GoalAnswer | None
    computed: Computed | None


async def accept_status(  # noqa: PLR0913 - what the act consists of
    store: Store,
    goal_id: str,
    as_of: date,
    *,
    if_match: str | None,
    computed: str = "",
    reason: str = "",
    principal: Principal,
    context: Context,
    codes: Codes,
) -> Decided:
    """Make the status computed as of a day the stated one.

    ``computed`` is the status the person saw: Conflict if another one is computed by now. ``if_match`` is the
    entity tag of the Goal they looked at. RuleViolation if nothing is computed.
    """
    writing = Writing.by(principal, "Goal", context=context, codes=codes)

    async def work(txn: Transaction) -> Decided:
        case = await _case(txn, goal_id, as_of, if_match, writing)
        found = case.computed
        if found is None:
            why = case.answer.problems if case.answer else ()
            none = f"No status is computed for this goal as of {as_of}; state one of your own."
            raise RuleViolation(" ".join((none, *why)))
        if computed and computed != found.status:
            raise Conflict(
                f"The computed status is '{found.status}' by now, not '{computed[:40]}'; look again."
            )
        said = Said(achievement=found.status, reason=reason.strip())
        return await _state(txn, "accept-computed-status", case, said, writing)

    return await store.write("accept-status", work)


async def override_status(  # noqa: PLR0913 - what the act consists of
    store: Store,
    goal_id: str,
    as_of: date,
    *,
    if_match: str | None,
    reason: str,
    achievement: str = "",
    lifecycle: str = "",
    principal: Principal,
    context: Context,
    codes: Codes,
) -> Decided:
    """State a status of one's own: achievement, lifecycle, or both, always with a reason.

    ``as_of`` is the day of the computed status it answers. RuleViolation names every problem.
    """
    writing = Writing.by(principal, "Goal", context=context, codes=codes)
    said = Said(lifecycle, achievement, reason.strip())
    _check(said)

    async def work(txn: Transaction) -> Decided:
        case = await _case(txn, goal_id, as_of, if_match, writing)
        if lifecycle == "active" and not target(extension_value(case.goal.tree, "goal-baseline")):
            raise RuleViolation(
                "Record a baseline before making the goal active.", expression="http.lifecycle"
            )
        return await _state(txn, "override-status", case, said, writing)

    return await store.write("override-status", work)


def _check(said: Said) -> None:
    if not said.lifecycle and not said.achievement:
        raise RuleViolation("Give an achievement status, a lifecycle status, or both.")
    achievement = said.achievement and without_code("achievement", said.achievement, _ACHIEVEMENT)
    lifecycle = said.lifecycle and without_code(
        "lifecycle", said.lifecycle, _LIFECYCLE, never="entered-in-error"
    )
    refuse(without_reason(said.reason), achievement or None, lifecycle or None)


async def _case(txn: Transaction, goal_id: str, as_of: date, if_match: str | None, writing: Writing) -> _Case:
    goal = await look(txn, "Goal", goal_id, if_match, writing)
    if in_error(goal.tree):
        raise RuleViolation("This goal was entered in error; nothing can be stated about it.")
    whose = local_target(target(goal.tree.get("subject")), writing.context.base)
    type_, _, id_ = whose.partition("/")
    if type_ != "Patient":
        raise RuleViolation("The goal's subject must be a Patient stored here.", expression="Goal.subject")
    answer = await compute(txn, id_, as_of, zone=writing.context.zone)
    found = next((one for one in answer.goals if one.reference == reference_to(goal.tree)), None)
    return _Case(goal, found, _computed(answer, found))


def _computed(answer: PatientAnswer, goal: GoalAnswer | None) -> Computed | None:
    if goal is None or goal.status.code is None:
        return None
    return Computed(goal.status.code, goal.status.rule, answer.as_of.isoformat(), answer.engine)


async def _state(txn: Transaction, activity: Activity, case: _Case, said: Said, writing: Writing) -> Decided:
    author = await author_of(txn, writing)
    goal = goal_as_stated(case.goal.tree, said, author, writing.codes)
    id_ = writing.context.new_id()
    statement = goal_statement(goal, said, author, id_=id_, computed=case.computed, codes=writing.codes)
    sources = (_engine(case.computed),) if case.computed else ()
    return await write(txn, Decision(activity, said.reason, sources), [goal, statement], author, writing)


def _engine(computed: Computed) -> Element:
    return {"identifier": {"system": _ENGINE, "value": computed.engine}, "display": computed.words}
