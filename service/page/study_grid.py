"""A swallow study as a grid of consistency and volume: every score printed, none averaged."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from functools import cache

from service.attainment.like_for_like import Compared
from service.attainment.studies import StudyResult
from service.attainment.study import Summary, Swallow
from service.page import words
from service.page.study_conditions import StudyKey
from service.terminology.codes import codes

__all__ = ["Cell", "StudyGrid", "study_grids"]

Kind = tuple[Fraction | None, str]


@dataclass(frozen=True, slots=True)
class Cell:
    """One swallow: the score (None: not rateable), letters of the timing, the manoeuvre."""

    score: int | None
    timing: str
    manoeuvre: str


@dataclass(frozen=True, slots=True)
class StudyGrid:
    """One study. ``columns`` are volumes; ``rows`` a consistency and a list of swallows per column.

    ``how`` is its ``method`` and the quality of the view in words. ``counts`` sums up the swallows without
    manoeuvre, ``compared`` holds them against the study of the day ``against``, ``effects`` are the
    manoeuvres against the same bolus without.
    """

    day: date
    method: str
    how: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, tuple[tuple[Cell, ...], ...]], ...]
    counts: str
    against: date | None
    compared: tuple[str, ...]
    effects: tuple[str, ...]


def study_grids(studies: Sequence[StudyResult], quality: Mapping[StudyKey, str]) -> tuple[StudyGrid, ...]:
    """Every study, newest first; ``quality`` is that of the view, in words."""
    return tuple(
        _grid(study, quality.get((study.day, study.study.method), "")) for study in reversed(studies)
    )


def _grid(found: StudyResult, quality: str) -> StudyGrid:
    swallows = found.study.swallows
    kinds = sorted({_kind(one) for one in swallows}, key=_by_amount)
    levels = sorted({one.consistency for one in swallows})
    return StudyGrid(
        day=found.day,
        method=found.study.method,
        how=words.study(found.study.method, quality),
        columns=tuple(_amount(*kind) for kind in kinds),
        rows=tuple(
            (
                consistency(level),
                tuple(
                    tuple(_cell(one) for one in swallows if (one.consistency, _kind(one)) == (level, kind))
                    for kind in kinds
                ),
            )
            for level in levels
        ),
        counts=_counts(found.plain),
        against=found.compared.against if found.compared else None,
        compared=_compared(found),
        effects=tuple(f"{_bolus(one)}: {_effect(one)}" for one in found.effects),
    )


@cache
def consistency(level: int) -> str:
    """``level 2 (Mildly Thick)``: number and official label, unchanged."""
    return f"level {level} ({codes('all').answer(f'iddsi {level}')['text']})"


def _kind(one: Swallow) -> Kind:
    return one.volume, one.amount


def _by_amount(kind: Kind) -> tuple[bool, Fraction, str]:
    """Volumes first, then pieces and the like."""
    volume, amount = kind
    return volume is None, volume or Fraction(0), amount


def _amount(volume: Fraction | None, amount: str) -> str:
    return f"{float(volume):g} mL" if volume is not None else amount or "amount not recorded"


def _cell(one: Swallow) -> Cell:
    timing = ", ".join(when[0].upper() for when in one.timing)
    return Cell(one.score, timing, one.manoeuvre.replace("-", " "))


def _counts(plain: Summary | None) -> str:
    if plain is None:
        return "no swallow without a manoeuvre could be rated"
    groups = "/".join(str(plain.groups[group]) for group in (1, 2, 3, 4))
    most = " and ".join(map(str, plain.modes))
    out = f"; {plain.left_out} not rateable" if plain.left_out else ""
    return (
        f"{plain.n} swallows without manoeuvre: worst {plain.worst}, most often {most}; "
        f"{_of(plain.entered, plain.n)} at 3 or more, {_of(plain.aspirated, plain.n)} at 6 or more, "
        f"{_of(plain.silent, plain.n)} at 8; groups A/B/C/D {groups}{out}"
    )


def _of(share: Fraction, n: int) -> str:
    return f"{share * n} of {n}"


def _compared(found: StudyResult) -> tuple[str, ...]:
    if found.compared is None:
        return ()
    if found.compared.reason:
        return (found.compared.reason,)
    pairs = [
        f"{_bolus(one)}: {one.first} before, {one.second} now, {one.effect}" for one in found.compared.pairs
    ]
    rest = found.compared.left_out
    return (*pairs, *((f"{words.plural(rest, 'kind')} of swallow only in one of the two",) if rest else ()))


def _effect(one: Compared) -> str:
    if one.first is None:
        return f"{one.second} with it, no comparison without it"
    return f"{one.first} without, {one.second} with it, {one.effect}"


def _bolus(one: Compared) -> str:
    manoeuvre = f", {one.manoeuvre.replace('-', ' ')}" if one.manoeuvre else ""
    return f"level {one.consistency}, {_amount(one.volume, one.amount)}{manoeuvre}"
