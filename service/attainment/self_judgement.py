"""What the patient said of each trial, held against what was seen.

Cohen 1960 (kappa), Byrt, Bishop & Carlin 1993 (PABAK). A judgement given after the result was shown is no
judgement and leaves the table, as do 'unsure' and 'not asked'; each is counted.
"""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from functools import lru_cache

from service.attainment.trials import Trial

__all__ = ["Cells", "SelfJudgement", "cells", "self_judgement"]


@dataclass(frozen=True, slots=True)
class Cells:
    """The 2 x 2 table: own judgement (closed / not closed) by observation (closed / not closed)."""

    both_closed: int = 0
    said_closed_was_open: int = 0
    said_open_was_closed: int = 0
    both_open: int = 0

    @property
    def n(self) -> int:
        """Trials in the table."""
        return self.both_closed + self.said_closed_was_open + self.said_open_was_closed + self.both_open

    def __add__(self, other: "Cells") -> "Cells":
        """Pool two tables, e.g. over visits."""
        return Cells(
            self.both_closed + other.both_closed,
            self.said_closed_was_open + other.said_closed_was_open,
            self.said_open_was_closed + other.said_open_was_closed,
            self.both_open + other.both_open,
        )


@dataclass(frozen=True, slots=True)
class SelfJudgement:
    """Own judgement against observation; every share is exact, None where it has no meaning.

    ``bias`` is -1 to 1: above 0 over-confident, below 0 under-confident. 'Positive' is 'said closed'.
    ``reasons`` says per absent number why it is absent. ``left_out`` counts trials by why they stayed out.
    """

    cells: Cells
    n: int
    agreement: Fraction | None
    expected: Fraction | None
    kappa: Fraction | None
    pabak: Fraction | None
    sensitivity: Fraction | None
    specificity: Fraction | None
    positive_predictive: Fraction | None
    negative_predictive: Fraction | None
    bias: Fraction | None
    over_confident: Fraction | None
    under_confident: Fraction | None
    reasons: Mapping[str, str]
    left_out: Mapping[str, int]
    method: str = field(default="Cohen's kappa, PABAK", init=False)


def cells(trials: Iterable[Trial]) -> tuple[Cells, Mapping[str, int]]:
    """Sort trials into the table; answer it and why the other trials stayed out."""
    found, left_out = Counter[str](), Counter[str]()
    for trial in trials:
        if trial.compared:
            found[_cell(trial)] += 1
        else:
            left_out[_why_out(trial)] += 1
    return Cells(**found), left_out


def self_judgement(table: Cells, left_out: Mapping[str, int] | None = None) -> SelfJudgement:
    """Compute everything from the four cells."""
    numbers, reasons = _numbers(table)
    return SelfJudgement(cells=table, n=table.n, reasons=reasons, left_out=left_out or {}, **numbers)


@lru_cache(maxsize=4096)  # the same few tables, over and over
def _numbers(table: Cells) -> tuple[Mapping[str, Fraction | None], Mapping[str, str]]:
    """Every number, and why it is absent where it is."""
    tp, fp = table.both_closed, table.said_closed_was_open
    fn, tn = table.said_open_was_closed, table.both_open
    n = table.n
    agreement = _share(tp + tn, n)
    expected = _share((tp + fp) * (tp + fn) + (fn + tn) * (fp + tn), n * n)
    numbers: dict[str, Fraction | None] = {
        "agreement": agreement,
        "expected": expected,
        "kappa": _kappa(agreement, expected),
        "pabak": None if agreement is None else 2 * agreement - 1,
        "sensitivity": _share(tp, tp + fn),
        "specificity": _share(tn, tn + fp),
        "positive_predictive": _share(tp, tp + fp),
        "negative_predictive": _share(tn, tn + fn),
        "bias": _share(fp - fn, n),
        "over_confident": _share(fp, n),
        "under_confident": _share(fn, n),
    }
    reasons = {name: _why_absent(name, n) for name, value in numbers.items() if value is None}
    return numbers, reasons


def _why_out(trial: Trial) -> str:
    if not trial.scored:
        return "closure not scored"
    if trial.judgement in ("unsure", "not-asked"):
        return trial.judgement.replace("-", " ")
    return "judged after the result was shown"


def _cell(trial: Trial) -> str:
    if trial.judgement == "closed":
        return "both_closed" if trial.observed == "closed" else "said_closed_was_open"
    return "said_open_was_closed" if trial.observed == "closed" else "both_open"


def _share(part: int, whole: int) -> Fraction | None:
    return Fraction(part, whole) if whole else None


def _kappa(agreement: Fraction | None, expected: Fraction | None) -> Fraction | None:
    """Agreement beyond chance; when both sides are constant and equal, chance leaves nothing to gain."""
    if agreement is None or expected is None or expected == 1:
        return None
    return (agreement - expected) / (1 - expected)


def _why_absent(name: str, n: int) -> str:
    if n == 0:
        return "no trial has both an observation and a judgement"
    return {
        "kappa": "all trials alike; kappa has no meaning",
        "sensitivity": "no trial was seen closed",
        "specificity": "no trial was seen open",
        "positive_predictive": "no trial was judged closed",
        "negative_predictive": "no trial was judged open",
    }[name]
