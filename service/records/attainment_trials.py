"""Trial Observations and the patient's judgements of them, as blocks of trials."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from fractions import Fraction
from typing import Any
from zoneinfo import ZoneInfo

from service.attainment.trials import Block, Judgement, Observed, Trial
from service.records.stored import (
    Resource,
    code_of,
    component,
    focus_of,
    number,
    reference_to,
    time_of,
    value_code,
    whole,
)

__all__ = ["blocks"]

_ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
_JUDGEMENTS: Mapping[str, Judgement] = {"closed": "closed", "not-closed": "not-closed", "unsure": "unsure"}


def blocks(observed: Mapping[str, list[Resource]], zone: ZoneInfo) -> tuple[Block, ...]:
    """Group trials by encounter and block; a trial that does not name its block belongs to none."""
    judged = {focus_of(one): one for one in observed["trial-self-judgement"]}
    grouped: dict[tuple[Any, str], list[Resource]] = defaultdict(list)
    for one in observed["trial-closure"]:
        kind = value_code(component(one, "training-block"))
        day, _ = time_of(one, zone) or (None, None)
        if kind and day:
            grouped[one.get("encounter", {}).get("reference") or day, kind].append(one)
    return tuple(_block(kind, group, judged, zone) for (_, kind), group in grouped.items())


def _block(kind: str, group: Iterable[Resource], judged: Mapping[str, Resource], zone: ZoneInfo) -> Block:
    times = [time for one in group if (time := time_of(one, zone))]
    day, moment = min(times, key=lambda time: time[1])
    trials = sorted((_trial(one, judged) for one in group), key=lambda trial: trial.number)
    return Block(kind, day, tuple(trials), moment)


def _trial(one: Resource, judged: Mapping[str, Resource]) -> Trial:
    own = judged.get(reference_to(one), {})
    before = component(own, "judged-before-result").get("valueBoolean")
    postures = (value_code(component(one, name)) for name in ("posture", "jaw-position"))
    return Trial(
        number=whole(component(one, "trial-number")) or 0,
        observed=_observed(one),
        reason=value_code(component(one, "reason-not-rated")).replace("-", " "),
        judgement=_JUDGEMENTS.get(value_code(own), "not-asked"),
        judged_before_result=before is not False,  # in a probe, unsaid means before
        posture=", ".join(posture for posture in postures if posture),
        hold=_seconds(one),
        evidence=reference_to(one),
        judgement_evidence=reference_to(own) if own else "",
    )


def _observed(one: Resource) -> Observed:
    code = value_code(one)
    if code in ("closed", "not-closed"):
        return "closed" if code == "closed" else "not-closed"
    absent = code_of(one.get("dataAbsentReason"), _ABSENT)
    return "not-done" if absent == "not-performed" else "not-observable"


def _seconds(one: Resource) -> Fraction | None:
    return number(component(one, "hold-duration"), unit="s")
