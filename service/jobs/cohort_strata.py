"""Tables of a cohort as stratifiers of its MeasureReport.

A stratum is a band, a band and an ending, or a training visit and what was said. A count that is hidden is
there with the reason ``masked``.
"""

from collections.abc import Iterator

from service.attainment.self_judgement import SelfJudgement
from service.jobs.cohort_answer import CohortAnswer
from service.jobs.cohort_division import EVERYBODY
from service.jobs.cohort_tables import CrossTable
from service.operations.measure_report import population_code
from service.operations.parts import quantity
from service.records.elements import Element

__all__ = ["bands", "endings", "judgements", "populations"]

_ABSENT = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
_MASKED = {"extension": [{"url": _ABSENT, "valueCode": "masked"}]}


def populations(whole: int | None, attained: int | None) -> list[Element]:
    """Everybody counted and, of them, those who attained."""
    return [_population("initial-population", whole), _population("numerator", attained)]


def bands(table: CrossTable, by: str | None) -> Element:
    """People by band; ``by`` is what strata are told apart by."""
    strata = [
        {"value": {"text": name}, "population": populations(counts[-1], counts[0])}
        for name, counts in _lines(table)
    ]
    return {"code": [_code(table, by)], "stratum": strata}


def endings(table: CrossTable, by: str | None) -> Element:
    """People by band and ending."""
    return {"code": [_code(table, by), {"text": "Ending"}], "stratum": list(_cells(table, "Ending"))}


def judgements(answer: CohortAnswer) -> Iterator[Element]:
    """A group for each stratum's trials of the opening probe; its score is the bias, where it is told."""
    for table in answer.judged:
        visits = [
            {
                "value": {"text": name},
                "population": [_population("initial-population", counts[-1])],
                **_bias(own),
            }
            for (name, counts), own in zip(_lines(table), table.judgements, strict=False)
        ]
        said = {
            "code": [{"text": "Training visit"}, {"text": "Said"}],
            "stratum": list(_cells(table, "Said")),
        }
        yield {
            "code": {"text": _named(table.title, table, answer.asked.by)},
            "population": [_population("initial-population", table.counts[-1][-1])],
            **_bias(table.judgements[-1]),
            "stratifier": [{"code": [{"text": "Training visit"}], "stratum": visits}, said],
        }


def _cells(table: CrossTable, columns: str) -> Iterator[Element]:
    """A stratum for each cell of a table without its margins."""
    for name, counts in _lines(table):
        for column, count in zip(table.columns[:-1], counts[:-1], strict=True):
            row = {"code": {"text": table.of.capitalize()}, "value": {"text": name}}
            cell = {"code": {"text": columns}, "value": {"text": column}}
            yield {"component": [row, cell], "population": [_population("initial-population", count)]}


def _lines(table: CrossTable) -> Iterator[tuple[str, tuple[int | None, ...]]]:
    """Its rows but for the margin."""
    return zip(table.rows[:-1], table.counts[:-1], strict=True)


def _bias(own: SelfJudgement | None) -> Element:
    return {} if own is None or own.bias is None else {"measureScore": quantity(own.bias, "1")}


def _code(table: CrossTable, by: str | None) -> Element:
    return {"text": _named(f"{table.title}: {table.of}", table, by)}


def _named(name: str, table: CrossTable, by: str | None) -> str:
    """With the stratum, where there are several."""
    return name if by is None or table.stratum == EVERYBODY else f"{name} ({by}: {table.stratum})"


def _population(name: str, count: int | None) -> Element:
    return {"code": population_code(name), **({"_count": _MASKED} if count is None else {"count": count})}
