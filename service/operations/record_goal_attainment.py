"""``Patient/[id]/$record-goal-attainment``: compute as of a date and keep the results.

Kept are Observations derived from the evidence, one for the status of each goal and one for its latest
value, and one Provenance that names this engine as the agent. Recording the same results again writes
nothing. Goals, and what people stated of them, stay as they are.
"""

from dataclasses import dataclass
from datetime import date
from typing import Any

from service.attainment.answers import GoalAnswer, PatientAnswer
from service.attainment.goals import Value
from service.attainment.measures import MEASURES, SCORES
from service.fhir.canonical import CANONICAL_ROOT, profile
from service.fhir.json import Tree, dump, reread
from service.interactions.context import Context
from service.interactions.transaction import Entry, apply, check
from service.operations.attainment_parameters import parameters
from service.operations.goal_attainment import READS, compute
from service.operations.parts import quantity, range_of
from service.records.elements import coded, present, reference, whole
from service.records.identity import criteria, full_url
from service.records.narrative import narrative
from service.records.sameness import same_content
from service.store.contract import Store, Transaction
from service.terminology.codes import Codes

__all__ = ["record_goal_attainment"]

_COMPUTED = f"{CANONICAL_ROOT}/computed"
_ENGINE = f"{CANONICAL_ROOT}/engine"
_STATUS = "goal-status-computed"
_ACHIEVEMENT = "http://terminology.hl7.org/CodeSystem/goal-achievement"


async def record_goal_attainment(
    store: Store, patient_id: str, as_of: date, *, context: Context, codes: Codes
) -> bytes:
    """Store the results and answer the Parameters resource, with a ``recorded`` reference per Observation."""
    for type_ in READS:
        context.allow("r", type_)
    for type_ in ("Observation", "Provenance"):
        context.allow("c", type_)

    async def work(txn: Transaction) -> bytes:
        answer = await compute(txn, patient_id, as_of, zone=context.zone, limits=context.cue_limits)
        author = _Author(f"Patient/{patient_id}", await _labels(txn, patient_id), answer, codes)
        recorded = await _write(txn, author, context)
        tree = parameters(answer, patient=author.patient, codes=codes)
        tree["parameter"] += [{"name": "recorded", "valueReference": reference(one)} for one in recorded]
        return dump(tree)

    return await store.write("record-goal-attainment", work)


async def _write(txn: Transaction, author: "_Author", context: Context) -> list[str]:
    """Write what changed, and a Provenance of it; answers the references of all results."""
    requests = [
        Entry("PUT", f"Observation?{criteria(**tree['identifier'][0])}", number, _url(tree), tree)
        for number, tree in enumerate(author.observations())
    ]
    check(requests, context=context)
    applied = await apply(txn, requests, context=context, same=same_content)
    found = [(one.outcome, f"Observation/{one.version.id}") for one in applied if one.version]
    if changed := [name for outcome, name in found if outcome != "unchanged"]:
        provenance = author.provenance(changed, recorded=context.clock().astimezone(context.zone).isoformat())
        request = Entry("POST", "Provenance", resource=provenance)
        check([request], context=context)
        await apply(txn, [request], context=context)
    return [name for _, name in found]


async def _labels(txn: Transaction, patient_id: str) -> list[dict[str, Any]]:
    """The security labels of the patient: results about invented people say so too."""
    version = await txn.read("Patient", patient_id)
    labels: list[dict[str, Any]] = (
        reread(version.content).get("meta", {}).get("security", []) if version else []
    )
    return labels


def _url(tree: Tree) -> str:
    identifier = tree["identifier"][0]
    return full_url(identifier["system"], identifier["value"])


@dataclass(frozen=True, slots=True)
class _Author:
    """Writes the results of one answer as FHIR."""

    patient: str
    labels: list[dict[str, Any]]
    answer: PatientAnswer
    codes: Codes

    def observations(self) -> list[Tree]:
        """Status of every goal that has been measured, and its latest value where that is computed."""
        measured = [goal for goal in self.answer.goals if goal.status.code]
        values = [
            self._value(goal, goal.status.latest)
            for goal in measured
            if goal.status.latest and goal.measure not in SCORES
        ]
        return [*map(self._status, measured), *values]

    def provenance(self, targets: list[str], *, recorded: str) -> Tree:
        """Who made the results: this engine, in this version, from these goals."""
        engine = {"system": _ENGINE, "value": self.answer.engine}
        return {
            "resourceType": "Provenance",
            **self._meta(),
            "text": narrative("Computed goal attainment", [("Engine", self._method())]),
            "target": [reference(one) for one in targets],
            "recorded": recorded,
            "agent": [{"who": {"type": "Device", "identifier": engine, "display": self._method()}}],
            "entity": [{"role": "source", "what": reference(goal.reference)} for goal in self.answer.goals],
        }

    def _status(self, goal: GoalAnswer) -> Tree:
        status = goal.status
        coding = self.codes.coding(_ACHIEVEMENT, str(status.code))
        value = {"coding": [coding], "text": coding["display"]}
        return self._observation(
            goal,
            _STATUS,
            self.answer.as_of,
            coded(value),
            components=[{"code": self.codes.concept("status-rule"), **whole(status.rule)}],
            evidence=goal.evidence,
            note=[{"text": f"Rule {status.rule}: {status.reason}"}],
        )

    def _value(self, goal: GoalAnswer, latest: Value) -> Tree:
        unit = MEASURES[goal.measure].unit
        parts = {
            "trials-successful": None if latest.k is None else whole(latest.k),
            "trials-scored": None if latest.n is None else whole(latest.n),
            "interval-95": goal.interval and {"valueRange": range_of(goal.interval, unit)},
        }
        return self._observation(
            goal,
            goal.measure,
            latest.day,
            {"valueQuantity": quantity(latest.value, unit)},
            components=[{"code": self.codes.concept(code), **part} for code, part in parts.items() if part],
            evidence=latest.evidence,
        )

    def _observation(  # noqa: PLR0913 - what the two kinds of result differ in
        self,
        goal: GoalAnswer,
        code: str,
        day: date,
        value: dict[str, Any],
        *,
        components: list[dict[str, Any]],
        evidence: tuple[str, ...],
        **more: Any,
    ) -> Tree:
        concept = self.codes.concept(code)
        name = f"{goal.reference}/{code}/{day.isoformat()}"
        return {
            "resourceType": "Observation",
            **self._meta(profile("computed-goal-status" if code == _STATUS else "computed-goal-value")),
            "text": narrative(concept["text"], [("Goal", goal.description), ("Day", day.isoformat())]),
            "identifier": [{"system": _COMPUTED, "value": name}],
            "status": "final",
            "code": concept,
            "subject": reference(self.patient),
            "focus": [reference(goal.reference)],
            "effectiveDateTime": day.isoformat(),
            **value,
            **more,
            "method": {"text": self._method()},
            **present(derivedFrom=[reference(one) for one in evidence], component=components),
        }

    def _method(self) -> str:
        return f"swallow-interop goal attainment {self.answer.engine}"

    def _meta(self, *profiles: str) -> dict[str, Any]:
        return present(meta=present(profile=list(profiles), security=self.labels))
