"""A cohort's answer: from counts of people to curves and tables, with small cells hidden."""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TypeVar

from service.attainment.measures import MEASURES
from service.jobs.cohort_counts import Counts, Group
from service.jobs.cohort_curves import Curve, curves
from service.jobs.cohort_division import EVERYBODY, Division, divided
from service.jobs.cohort_question import Question
from service.jobs.cohort_tables import CrossTable, banded, flow_table, judged_table
from service.jobs.cohort_words import ADHERENCE_BANDS, DOSE_BANDS, NO_LOG

By = TypeVar("By")

__all__ = ["NOTES", "CohortAnswer", "Kind", "answer"]

NOTES = (
    "Time runs from the day a goal began to the visit at which its criterion was first met.",
    "The curve (Kaplan and Meier) censors every other ending, as if those people might still attain.",
    "The incidence (Aalen and Johansen) is the share that ended so; none of these endings is censored.",
    "Dose and adherence reach until a goal's ending: they stand beside the outcome, they do not explain it.",
    "Own judgement is told in counts of trials of the opening probe; trials of one person are alike.",
    "Other counts are hidden with small ones, so that none can be worked out from this answer alone.",
)
_TOO_FEW = "too few people to be told, or too few who attained or did not"
_BANDS = (*(name for _, name in DOSE_BANDS), NO_LOG)
_SHARES = (*(name for _, name in ADHERENCE_BANDS), NO_LOG)


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of goal; without ``endings`` nothing of it is told, and ``reason`` says why."""

    measure: str
    endings: tuple[str, ...] = ()
    competing: tuple[str, ...] = ()
    days: tuple[Curve, ...] = ()
    visits: tuple[Curve, ...] = ()
    tables: tuple[CrossTable, ...] = ()
    reason: str = ""


@dataclass(frozen=True, slots=True)
class CohortAnswer:
    """What is told of a cohort. ``test_data``: 'all', 'some' or 'none' are test data; empty: nobody knows."""

    asked: Question
    flow: CrossTable
    kinds: tuple[Kind, ...]
    judged: tuple[CrossTable, ...]
    test_data: str = ""
    notes: tuple[str, ...] = NOTES


def answer(counts: Counts, asked: Question, test_data: str = "") -> CohortAnswer:
    """Tell counts of a cohort; of each kind of goal that anybody has."""
    measures = [measure for measure in MEASURES if any(group.measure == measure for group in counts.days)]
    return CohortAnswer(
        asked,
        flow_table(counts.flow, asked.smallest),
        tuple(_kind(measure, counts, asked) for measure in measures),
        tuple(
            judged_table(stratum or EVERYBODY, found, asked.smallest)
            for stratum, found in sorted(counts.judged.items())
        ),
        test_data,
    )


def _kind(measure: str, counts: Counts, asked: Question) -> Kind:
    days = _of(measure, counts.days)
    division = divided({name: _endings(by_time.values()) for name, by_time in days.items()}, asked.smallest)
    if division is None:
        return Kind(measure, reason=_TOO_FEW)
    visits = _of(measure, counts.visits)
    return Kind(
        measure,
        division.endings,
        division.competing,
        curves(days, division, "d", asked.smallest),
        curves(visits, division, "visit", asked.smallest),
        tuple(_tables(measure, counts, division, asked.smallest)),
    )


def _tables(measure: str, counts: Counts, division: Division, smallest: int) -> Iterable[CrossTable]:
    for title, of, found, bands in (
        ("Home practice done", "repetitions a day since the goal began", counts.dose, _BANDS),
        ("Adherence, of days with a log", "done of prescribed", counts.of_logged_days, _SHARES),
        (
            "Adherence, days without a log as none",
            "done of prescribed, from the first log to the last",
            counts.unlogged_as_zero,
            _SHARES,
        ),
    ):
        by_stratum = _of(measure, found)
        for name, members in division.strata.items():
            rows = _bands(bands, [by_stratum[member] for member in members])
            yield banded((title, of, name), rows, division, smallest)


def _of(measure: str, found: Mapping[Group, By]) -> dict[str, By]:
    return {group.stratum: by_time for group, by_time in found.items() if group.measure == measure}


def _bands(
    bands: Iterable[str], several: Iterable[Mapping[str, Mapping[str, int]]]
) -> dict[str, Counter[str]]:
    found = {band: Counter[str]() for band in bands}
    for one in several:
        for band, ended in one.items():
            found[band].update(ended)
    return found


def _endings(several: Iterable[Mapping[str, int]]) -> Counter[str]:
    found = Counter[str]()
    for ended in several:
        found.update(ended)
    return found
