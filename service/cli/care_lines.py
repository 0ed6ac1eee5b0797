"""What stands beside the goal table: cues, swallow studies, the next review and visits left out."""

from collections.abc import Iterator

from service.attainment.answers import PatientAnswer, Review
from service.attainment.cues import NO_CUE_IS_NOT_SAFETY
from service.attainment.like_for_like import Compared
from service.attainment.studies import StudyResult

__all__ = ["care_lines"]


def care_lines(answer: PatientAnswer) -> Iterator[str]:
    """Lines of text; the sentence about cues stands first, also where there are none."""
    yield NO_CUE_IS_NOT_SAFETY
    yield from (f"cue: {cue.sentence}" for cue in answer.cues)
    yield from (line for study in answer.studies for line in _study(study))
    if answer.review:
        yield _review(answer.review)
    yield from (f"visit of {one.day} left out: {one.reason or 'no reason'}" for one in answer.excluded)


def _study(found: StudyResult) -> Iterator[str]:
    if found.plain is None:
        yield f"swallow study {found.day}: no swallow without a manoeuvre was rated"
        return
    n, groups = found.plain.n, "/".join(str(number) for number in found.plain.groups.values())
    modes = " and ".join(map(str, found.plain.modes))
    yield (
        f"swallow study {found.day}: {n} swallows without a manoeuvre, worst score {found.plain.worst}, "
        f"most often {modes}, groups A/B/C/D {groups}"
    )
    yield from (f"  with {one.manoeuvre.replace('-', ' ')}: {_compared(one)}" for one in found.effects)
    if found.compared:
        yield from (f"  since the study before: {_compared(one)}" for one in found.compared.pairs)
        if found.compared.reason:
            yield f"  {found.compared.reason}"


def _compared(one: Compared) -> str:
    how = f"{float(one.volume):g} mL" if one.volume is not None else one.amount
    before = "" if one.first is None else f"score {one.first}, then {one.second}: "
    return f"level {one.consistency} {how}".rstrip() + f", {before}{one.effect}"


def _review(found: Review) -> str:
    state = "overdue" if found.overdue else "the person was seen since" if found.held else "to come"
    return f"review of the home plan: {found.day}, {state}"
