"""Every swallow study of a person: counts by consistency, and what may be compared with what."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from service.attainment.like_for_like import (
    Compared,
    Comparison,
    compare_studies,
    manoeuvre_effects,
    study_before,
)
from service.attainment.study import Study, Summary, summaries, summary

__all__ = ["StudyResult", "study_results"]


@dataclass(frozen=True, slots=True)
class StudyResult:
    """One study. ``by_consistency`` holds swallows without (False) and with (True) a manoeuvre apart.

    ``plain`` counts all swallows without a manoeuvre, None if none was rated. ``compared`` holds it against
    the study before (``study_before``), None for the first; ``effects`` are the manoeuvres, each against the
    same bolus without.
    """

    day: date
    study: Study
    by_consistency: Mapping[tuple[int, bool], Summary]
    plain: Summary | None
    compared: Comparison | None
    effects: tuple[Compared, ...]

    @property
    def evidence(self) -> tuple[str, ...]:
        """The Observation of every swallow."""
        return tuple(one.evidence for one in self.study.swallows if one.evidence)


def study_results(studies: Iterable[Study]) -> tuple[StudyResult, ...]:
    """Results of every study, oldest first."""
    ordered = sorted(studies, key=lambda study: study.day)
    return tuple(_result(study, study_before(ordered[:place], study)) for place, study in enumerate(ordered))


def _result(study: Study, before: Study | None) -> StudyResult:
    return StudyResult(
        day=study.day,
        study=study,
        by_consistency=summaries(study.swallows),
        plain=summary(one for one in study.swallows if not one.manoeuvre),
        compared=compare_studies(before, study) if before else None,
        effects=manoeuvre_effects(study.swallows),
    )
