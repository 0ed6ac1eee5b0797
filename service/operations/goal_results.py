"""The results of one answer as Observations a hospital record can show, and the Provenance of the engine.

A status carries its rule, whether the criterion is met, how many visits in a row are at target and, once it
was met, the run that met it with its pooled trials; a value carries its trials and interval. What is not
there has no component. Each is derived from its evidence and names the engine's version.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from typing import Any

from service.attainment.answers import GoalAnswer, PatientAnswer
from service.attainment.criterion import Run
from service.attainment.goals import Value
from service.attainment.intervals import Interval
from service.attainment.measures import MEASURES, SCORES
from service.attainment.status import Status
from service.fhir.canonical import CANONICAL_ROOT, profile
from service.fhir.json import Tree
from service.operations.parts import decimal, percent, quantity, range_of
from service.records.elements import Element, coded, flag, present, reference, whole
from service.records.narrative import narrative
from service.terminology.codes import Codes

__all__ = ["PLACES", "GoalResults"]

_COMPUTED = f"{CANONICAL_ROOT}/computed"
_ENGINE = f"{CANONICAL_ROOT}/engine"
_STATUS = "goal-status-computed"
_ACHIEVEMENT = "http://terminology.hl7.org/CodeSystem/goal-achievement"
PLACES = 4
"""Decimals of what is kept: more digits could be a number of somebody's, and a research export masks them."""

Parts = Mapping[str, Element | None]
"""Components by own code; None for what is not there."""


@dataclass(frozen=True, slots=True)
class GoalResults:
    """What is kept of one answer; ``labels`` are the patient's security labels."""

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
            words=[
                ("Status", coding["display"]),
                ("Why", status.reason),
                *_run_in_words(status.progress.run),
            ],
            parts=_of_status(status),
            evidence=goal.evidence,
            note=[{"text": f"Rule {status.rule}: {status.reason}"}],
        )

    def _value(self, goal: GoalAnswer, latest: Value) -> Tree:
        unit = MEASURES[goal.measure].unit
        return self._observation(
            goal,
            goal.measure,
            latest.day,
            {"valueQuantity": quantity(round(latest.value, PLACES), unit)},
            words=[("Value", f"{_shown(latest.value, unit)}{_trials(latest.k, latest.n, goal.interval)}")],
            parts={
                "trials-successful": None if latest.k is None else whole(latest.k),
                "trials-scored": None if latest.n is None else whole(latest.n),
                "interval-95": _interval(goal.interval, unit),
            },
            evidence=latest.evidence,
        )

    def _observation(  # noqa: PLR0913 - what the two kinds of result differ in
        self,
        goal: GoalAnswer,
        code: str,
        day: date,
        value: Element,
        *,
        words: list[tuple[str, str]],
        parts: Parts,
        evidence: tuple[str, ...],
        **more: Any,
    ) -> Tree:
        concept = self.codes.concept(code)
        name = f"{goal.reference}/{code}/{day.isoformat()}"
        lines = [("Goal", goal.description), ("Day", day.isoformat()), *words]
        components = [{"code": self.codes.concept(code), **part} for code, part in parts.items() if part]
        return {
            "resourceType": "Observation",
            **self._meta(profile("computed-goal-status" if code == _STATUS else "computed-goal-value")),
            "text": narrative(concept["text"], lines),
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


def _of_status(status: Status) -> Parts:
    criterion, progress = status.goal.criterion, status.progress
    return {
        "status-rule": whole(status.rule),
        "criterion-met": flag(progress.met),
        "criterion-visits": whole(criterion.visits),
        "visits-at-target-in-a-row": whole(progress.in_a_row),
        **(_of_run(progress.run) if progress.run else {}),
    }


def _of_run(run: Run) -> Parts:
    """The newest run that met the criterion, also of a goal that was lost again."""
    return {
        "run-period": {"valuePeriod": {"start": run.start.isoformat(), "end": run.end.isoformat()}},
        "run-visits": whole(run.visits),
        "run-trials-successful": None if run.k is None else whole(run.k),
        "run-trials-scored": None if run.n is None else whole(run.n),
        "run-interval-95": _interval(percent(run.interval), "%"),
    }


def _interval(interval: Interval | None, unit: str) -> Element | None:
    if interval is None:
        return None
    low, high = (round(end, PLACES) for end in (interval.low, interval.high))
    return {"valueRange": range_of(replace(interval, low=low, high=high), unit)}


def _run_in_words(run: Run | None) -> list[tuple[str, str]]:
    if run is None:
        return []
    trials = _trials(run.k, run.n, percent(run.interval))
    visits = f"{run.visits} visits, {run.start} to {run.end}" if run.visits > 1 else f"the visit of {run.end}"
    return [("Criterion met by", f"{visits}{trials}")]


def _trials(k: int | None, n: int | None, interval: Interval | None) -> str:
    """``; 4 of 5 trials (95 %: 37.6 to 96.4 %)``, as far as it is known."""
    if n is None:
        return ""
    limits = f" (95 %: {interval.low:.1f} to {interval.high:.1f} %)" if interval else ""
    return f"; {n} trials" if k is None else f"; {k} of {n} trials{limits}"


def _shown(value: Fraction, unit: str) -> str:
    number = f"{decimal(value):f}"
    return number if unit.startswith(("{", "1")) else f"{number} {unit}"
