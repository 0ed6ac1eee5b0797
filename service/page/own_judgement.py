"""What the person said of each trial against what was seen: the pooled table, and the bias visit by visit."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from service.attainment.answers import PatientAnswer
from service.attainment.self_judgement import Cells, SelfJudgement
from service.page import words
from service.page.bias_bars import BiasRow, bias_bars
from service.page.drawing import Drawing
from service.page.view_model import Count

__all__ = ["JudgementRow", "JudgementView", "bias_drawing", "judgement_view"]


@dataclass(frozen=True, slots=True)
class JudgementRow:
    """One visit: trials that agree of those compared, bias -1 to 1, kappa or why there is none."""

    day: date
    agreement: Count | None
    bias: Fraction | None
    kappa: str
    left_out: str


@dataclass(frozen=True, slots=True)
class JudgementView:
    """All probes: ``cells`` of the table, numbers by name (a value, or why there is none), and the visits."""

    cells: Cells
    n: int
    numbers: tuple[tuple[str, str], ...]
    left_out: str
    rows: tuple[JudgementRow, ...]


def judgement_view(answer: PatientAnswer) -> JudgementView | None:
    """The view; None where nobody was ever asked."""
    pooled = answer.own_pooled
    if not pooled.n:
        return None
    rows = tuple(
        JudgementRow(
            visit.day, _agreement(visit.own), visit.own.bias, _kappa(visit.own), _out(visit.own.left_out)
        )
        for visit in answer.visits
    )
    return JudgementView(pooled.cells, pooled.n, _numbers(answer), _out(pooled.left_out), rows)


def _numbers(answer: PatientAnswer) -> tuple[tuple[str, str], ...]:
    pooled, heard = answer.own_pooled, answer.own_detection
    agreement, cells = _agreement(pooled), pooled.cells
    said = Count(cells.both_closed, cells.both_closed + cells.said_open_was_closed)
    unsaid = Count(cells.both_open, cells.both_open + cells.said_closed_was_open)
    sensitivity = (
        f"d′ = {heard.d_prime:.2f}, c = {heard.criterion:+.2f}, threshold {heard.threshold:+.2f}"
        if heard.d_prime is not None
        else ""
    )
    return (
        ("Agrees", f"{words.count(agreement)} trials" if agreement else ""),
        ("Bias", words.bias(pooled.bias)),
        ("Kappa", _kappa(pooled)),
        ("Said closed when closed", _share(said, pooled.reasons.get("sensitivity", ""))),
        ("Said not closed when open", _share(unsaid, pooled.reasons.get("specificity", ""))),
        ("Telling the two apart", sensitivity.replace("-", "−") or heard.reason),
    )


def _agreement(own: SelfJudgement) -> Count | None:
    return Count(own.cells.both_closed + own.cells.both_open, own.n) if own.n else None


def _kappa(own: SelfJudgement) -> str:
    return own.reasons.get("kappa", "") if own.kappa is None else f"{float(own.kappa):.2f}".replace("-", "−")


def _share(count: Count, reason: str) -> str:
    """A share never stands without the trials it is of."""
    return f"{100 * count.k / count.n:.0f} % ({words.count(count)})" if count.n else reason


def _out(left_out: Mapping[str, int]) -> str:
    return "; ".join(f"{number} {why}" for why, number in left_out.items())


def bias_drawing(view: JudgementView) -> Drawing:
    """A bar per visit."""
    told = "; ".join(f"{words.day(row.day)} {words.bias(row.bias)}" for row in view.rows)
    return bias_bars("Bias of the own judgement, by visit", f"{told}.", [_bar(row) for row in view.rows])


def _bar(row: JudgementRow) -> BiasRow:
    agrees = f"{row.agreement.k}/{row.agreement.n} agree" if row.agreement else ""
    beside = "not measured" if row.bias is None else f"{words.signed(row.bias)}, {agrees}"
    return BiasRow(f"{row.day.day} {row.day:%b %Y}", row.bias, beside)
