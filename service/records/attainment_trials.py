"""Trial Observations and the patient's judgements of them, as blocks of trials."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any

from service.attainment.trials import Block, Judgement, Observed, Trial
from service.records.stored import Resource, Seen, code_of, number, value_code, whole

__all__ = ["blocks"]

_ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
_JUDGEMENTS: Mapping[str, Judgement] = {"closed": "closed", "not-closed": "not-closed", "unsure": "unsure"}


def blocks(observed: Mapping[str, list[Seen]]) -> tuple[Block, ...]:
    """Group trials by encounter and block; a trial that does not name its block belongs to none."""
    judged = {one.focus: one for one in observed["trial-self-judgement"]}
    grouped: dict[tuple[Any, str], list[Seen]] = defaultdict(list)
    for one in observed["trial-closure"]:
        if kind := value_code(one.part("training-block")):
            grouped[one.resource.get("encounter", {}).get("reference") or one.day, kind].append(one)
    return tuple(_block(kind, group, judged) for (_, kind), group in grouped.items())


def _block(kind: str, group: Sequence[Seen], judged: Mapping[str, Seen]) -> Block:
    first = min(group, key=lambda one: one.moment)
    trials = sorted((_trial(one, judged) for one in group), key=lambda trial: trial.number)
    return Block(kind, first.day, tuple(trials), first.moment)


def _trial(one: Seen, judged: Mapping[str, Seen]) -> Trial:
    own = judged.get(one.reference)
    before = own.part("judged-before-result").get("valueBoolean") if own else None
    postures = (value_code(one.part(name)) for name in ("posture", "jaw-position"))
    return Trial(
        number=whole(one.part("trial-number")) or 0,
        observed=_observed(one.resource),
        reason=value_code(one.part("reason-not-rated")).replace("-", " "),
        judgement=_JUDGEMENTS.get(value_code(own.resource), "not-asked") if own else "not-asked",
        judged_before_result=before is not False,  # in a probe, unsaid means before
        posture=", ".join(posture for posture in postures if posture),
        hold=number(one.part("hold-duration"), unit="s"),
        evidence=one.reference,
        judgement_evidence=own.reference if own else "",
    )


def _observed(one: Resource) -> Observed:
    code = value_code(one)
    if code in ("closed", "not-closed"):
        return "closed" if code == "closed" else "not-closed"
    absent = code_of(one.get("dataAbsentReason"), _ABSENT)
    return "not-done" if absent == "not-performed" else "not-observable"
