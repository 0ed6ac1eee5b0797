"""Swallow studies as parts of the computed answer: counts of ordinal scores, never an average."""

from service.attainment.like_for_like import Compared, Comparison
from service.attainment.studies import StudyResult
from service.attainment.study import Summary
from service.operations.parts import (
    Part,
    code,
    counts,
    given,
    group,
    part,
    points,
    quantity,
    sources,
    text,
    whole,
)

__all__ = ["study_parts"]


def study_parts(found: StudyResult) -> list[Part]:
    """One study; swallows with and without a manoeuvre apart."""
    return [
        part("date", valueDate=found.day.isoformat()),
        *code("method", found.study.method),
        *given(found.plain, lambda plain: group("withoutManoeuvre", _summary(plain))),
        *(
            group("consistency", [*_kind(level, manoeuvre=with_one), *_summary(one)])
            for (level, with_one), one in found.by_consistency.items()
        ),
        *given(found.compared, lambda compared: group("sinceStudyBefore", _comparison(compared))),
        *(group("manoeuvreEffect", _compared(one)) for one in found.effects),
        *sources(found.evidence),
    ]


def _kind(level: int, *, manoeuvre: bool) -> list[Part]:
    return [part("level", valueInteger=level), part("manoeuvre", valueBoolean=manoeuvre)]


def _summary(found: Summary) -> list[Part]:
    """Scores 1 to 8; shares in percent of the swallows rated."""
    return [
        part("swallows", valueUnsignedInt=found.n),
        part("worst", valueInteger=found.worst),
        part("worstGroup", valueCode=_letter(found.worst_group)),
        *(part("mode", valueInteger=score) for score in found.modes),
        part("lowerMedian", valueInteger=found.lower_median),
        *(group("score", _count("score", score, n)) for score, n in sorted(found.scores.items())),
        *(group("group", _group(number, n)) for number, n in found.groups.items()),
        *points("entered", found.entered),
        *points("aspirated", found.aspirated),
        *points("silent", found.silent),
        *counts("timing", found.timing),
        *whole("leftOut", found.left_out or None),
        part("method", valueString=found.method),
    ]


def _count(name: str, value: int, n: int) -> list[Part]:
    return [part(name, valueInteger=value), part("count", valueUnsignedInt=n)]


def _group(number: int, n: int) -> list[Part]:
    return [part("group", valueCode=_letter(number)), part("count", valueUnsignedInt=n)]


def _letter(group_number: int) -> str:
    return "ABCD"[group_number - 1]


def _comparison(found: Comparison) -> list[Part]:
    return [
        part("against", valueDate=found.against.isoformat()),
        *(group("bolus", _compared(one)) for one in found.pairs),
        part("leftOut", valueUnsignedInt=found.left_out),
        *text("reason", found.reason),
    ]


def _compared(found: Compared) -> list[Part]:
    """One kind of swallow: the worst score of either side."""
    return [
        part("level", valueInteger=found.consistency),
        *given(found.volume, lambda volume: part("volume", valueQuantity=quantity(volume, "mL"))),
        *text("amount", found.amount),
        *code("manoeuvre", found.manoeuvre),
        *whole("first", found.first),
        part("second", valueInteger=found.second),
        part("effect", valueString=found.effect),
        part("groupEffect", valueString=found.group_effect),
        *sources(found.evidence),
    ]
