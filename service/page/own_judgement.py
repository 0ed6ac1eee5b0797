"""What the person said of each trial against what was seen: the pooled table, and the bias visit by visit."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from service.attainment.answers import PatientAnswer
from service.attainment.self_judgement import Cells, SelfJudgement
from service.page import words
from service.page.drawing import Box, Drawing, Line, Mark, Marker, Text
from service.page.view_model import Count

__all__ = ["JudgementRow", "JudgementView", "bias_drawing", "judgement_view"]

WIDTH, LEFT, RIGHT, ROW, TOP = 620, 100, 440, 26, 34
MIDDLE = (LEFT + RIGHT) / 2


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
    agreement = _agreement(pooled)
    sensitivity = (
        f"d′ = {heard.d_prime:.2f}, c = {heard.criterion:+.2f}, threshold {heard.threshold:+.2f}"
        if heard.d_prime is not None
        else ""
    )
    return (
        ("Agrees", f"{words.count(agreement)} trials" if agreement else ""),
        ("Bias", words.bias(pooled.bias)),
        ("Kappa", _kappa(pooled)),
        ("Said closed when closed", _share(pooled.sensitivity, pooled.reasons.get("sensitivity", ""))),
        ("Said not closed when open", _share(pooled.specificity, pooled.reasons.get("specificity", ""))),
        ("Telling the two apart", sensitivity.replace("-", "−") or heard.reason),
    )


def _agreement(own: SelfJudgement) -> Count | None:
    return Count(own.cells.both_closed + own.cells.both_open, own.n) if own.n else None


def _kappa(own: SelfJudgement) -> str:
    return own.reasons.get("kappa", "") if own.kappa is None else f"{float(own.kappa):.2f}".replace("-", "−")


def _share(share: Fraction | None, reason: str) -> str:
    return reason if share is None else f"{float(100 * share):.0f} %"


def _out(left_out: Mapping[str, int]) -> str:
    return "; ".join(f"{number} {why}" for why, number in left_out.items())


def bias_drawing(view: JudgementView) -> Drawing:
    """A bar per visit from 0: to the right said closed more often than seen, to the left less often."""
    bottom = TOP + ROW * len(view.rows)
    marks: list[Mark] = [
        Text("tick", MIDDLE, TOP - 8, "0", "middle"),
        Text("note", LEFT, TOP - 8, "−1 under-confident"),
        Text("note", RIGHT, TOP - 8, "over-confident +1", "end"),
    ]
    marks += [Line("grid", ((x, TOP), (x, bottom))) for x in (LEFT, (LEFT + MIDDLE) / 2, RIGHT)]
    marks.append(Line("grid", (((RIGHT + MIDDLE) / 2, TOP), ((RIGHT + MIDDLE) / 2, bottom))))
    for number, row in enumerate(view.rows):
        marks += _bar(row, TOP + ROW * number)
    marks.append(Line("axis", ((MIDDLE, TOP), (MIDDLE, bottom))))
    told = "; ".join(f"{words.day(row.day)} {words.bias(row.bias)}" for row in view.rows)
    name = "Bias of the own judgement, by visit"
    return Drawing(name, f"{told}.", WIDTH, bottom + 6, tuple(marks))


def _bar(row: JudgementRow, top: float) -> list[Mark]:
    middle = top + ROW / 2
    marks: list[Mark] = [Text("tick", LEFT - 8, middle + 4.5, f"{row.day.day} {row.day:%b %Y}", "end")]
    if row.bias is None:
        gap = Text("note", MIDDLE + 12, middle + 4.5, "not measured")
        return [*marks, Marker("gap", MIDDLE, middle, "cross"), gap]
    end = MIDDLE + float(row.bias) * (RIGHT - MIDDLE)
    if row.bias:
        marks.append(Box("bar", min(MIDDLE, end), top + 6, abs(end - MIDDLE), ROW - 12))
    agrees = f"{row.agreement.k}/{row.agreement.n} agree" if row.agreement else ""
    marks.append(Text("count", RIGHT + 12, middle + 4.5, f"{words.signed(row.bias)}, {agrees}"))
    return marks
