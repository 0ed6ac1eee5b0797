"""Trial Observations and the patient's judgements of them, as blocks of trials."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any

from service.attainment.trials import Block, Judgement, Observed, Trial
from service.records.seen import Seen
from service.records.views import Observation

__all__ = ["blocks"]

_READ = {"pre", "post"}
_ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
_JUDGEMENTS: Mapping[str, Judgement] = {"closed": "closed", "not-closed": "not-closed", "unsure": "unsure"}


def blocks(observed: Mapping[str, list[Seen]]) -> tuple[Block, ...]:
    """Group the trials of opening and closing blocks by encounter and block; no number rests on the others.

    A trial that does not name its block belongs to none.
    """
    judged = {one.focus: one for one in observed["trial-self-judgement"]}
    grouped: dict[tuple[Any, str], list[Seen]] = defaultdict(list)
    for one in observed["trial-closure"]:
        if (kind := one.part("training-block").answer) in _READ:
            grouped[one.observation.encounter.reference or one.day, kind].append(one)
    return tuple(_block(kind, group, judged) for (_, kind), group in grouped.items())


def _block(kind: str, group: Sequence[Seen], judged: Mapping[str, Seen]) -> Block:
    first = min(group, key=lambda one: one.moment)
    trials = sorted((_trial(one, judged) for one in group), key=lambda trial: trial.number)
    return Block(kind, first.day, tuple(trials), first.moment)


def _trial(one: Seen, judged: Mapping[str, Seen]) -> Trial:
    name, parts = one.reference, one.observation.parts
    own = judged.get(name)
    before = own.part("judged-before-result").value_boolean if own else None
    postures = (parts["posture"].answer, parts["jaw-position"].answer)
    return Trial(
        number=parts["trial-number"].whole or 0,
        observed=_observed(one.observation),
        reason=parts["reason-not-rated"].answer.replace("-", " "),
        judgement=_JUDGEMENTS.get(own.observation.answer, "not-asked") if own else "not-asked",
        judged_before_result=before is not False,  # in a probe, unsaid means before
        posture=", ".join(filter(None, postures)),
        hold=parts["hold-duration"].number(unit="s"),
        evidence=name,
        judgement_evidence=own.reference if own else "",
        cue=parts["cue-level"].answer,
    )


def _observed(one: Observation) -> Observed:
    code = one.answer
    if code in ("closed", "not-closed"):
        return "closed" if code == "closed" else "not-closed"
    absent = one.data_absent_reason.of(_ABSENT)
    return "not-done" if absent == "not-performed" else "not-observable"
