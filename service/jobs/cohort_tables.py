"""Tables of a cohort: people by band and ending, own judgement by visit; small cells hidden."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from service.attainment.intervals import Interval, wilson
from service.attainment.self_judgement import Cells, SelfJudgement, self_judgement
from service.deidentify.cells import Cell, hidden_cells, small, with_margins
from service.jobs.cohort_counts import Judged
from service.jobs.cohort_division import Division
from service.jobs.cohort_words import IN_COHORT, JUDGED, WORDS

__all__ = ["CrossTable", "banded", "flow_table", "judged_table"]

_TOTAL = "all"
_SEEN = JUDGED[:4]


@dataclass(frozen=True, slots=True)
class CrossTable:
    """Counts by row and column with margins ('all'), None where hidden; ``of`` says what the rows are.

    ``shares`` are Wilson's interval of attained of all, a row each, and ``judgements`` what the four cells of
    a row tell; None where a count that it needs is hidden, and empty where the table has no such.
    """

    title: str
    stratum: str
    of: str
    rows: tuple[str, ...]
    columns: tuple[str, ...]
    counts: tuple[tuple[int | None, ...], ...]
    shares: tuple[Interval | None, ...] = ()
    judgements: tuple[SelfJudgement | None, ...] = ()

    @property
    def hidden(self) -> int:
        """How many cells are hidden."""
        return sum(count is None for row in self.counts for count in row)


def banded(
    about: tuple[str, str, str], found: Mapping[str, Mapping[str, int]], division: Division, smallest: int
) -> CrossTable:
    """People by band and ending; how many ended how is told by the curves, so the last row is shown.

    ``about`` is the table's title, what its rows are, and the stratum; ``found`` holds the bands in order.
    """
    title, of, stratum = about
    bands = tuple(found)
    counts = [list(division.pooled(found[band]).values()) for band in bands]
    width = len(division.endings) + 1
    known = {Cell(len(bands), column) for column in range(width)}
    shown = _shown(counts, hidden_cells(counts, smallest, known=known))
    shares = tuple(
        wilson(row[0], row[-1]) if row[0] is not None and row[-1] is not None else None for row in shown
    )
    columns = (*(WORDS[ending] for ending in division.endings), _TOTAL)
    return CrossTable(title, stratum, of, (*bands, _TOTAL), columns, shown, shares)


def flow_table(flow: Mapping[str, int], smallest: int) -> CrossTable:
    """People by what became of them; how many are in the cohort the curves tell too."""
    counts = [[count] for count in flow.values()]
    known = {
        Cell(place, column)
        for place, (name, count) in enumerate(flow.items())
        for column in (0, 1)
        if name == IN_COHORT and not small(count, smallest)
    }
    hidden = hidden_cells(counts, smallest, known=known)
    whole = _shown(counts, hidden)
    shown = tuple((None if None in row else row[0],) for row in whole)
    return CrossTable("Who was looked at", "", "people", (*flow, _TOTAL), ("people",), shown)


def judged_table(stratum: str, found: Mapping[int, Mapping[str, Judged]], smallest: int) -> CrossTable:
    """Trials by number of the training visit and what was said of them; cells of few people are hidden."""
    visits = sorted(found)
    none = Judged(0, 0)
    cells = [[found[visit].get(cell, none) for cell in JUDGED] for visit in visits]
    counts = [[cell.trials for cell in row] for row in cells]
    shown = _shown(counts, hidden_cells(counts, smallest, also=_few(cells, smallest)))
    rows = (*map(str, visits), _TOTAL)
    columns = (*(WORDS[cell] for cell in JUDGED), _TOTAL)
    judgements = tuple(map(_judgement, shown))
    title = "Own judgement of the opening probe"
    return CrossTable(title, stratum, "training visit", rows, columns, shown, judgements=judgements)


def _few(cells: Sequence[Sequence[Judged]], smallest: int) -> set[Cell]:
    """Cells behind which few people are; of a margin no more is known than its largest cell."""
    people = [[cell.people for cell in row] for row in cells]
    rows = [[*row, max(row)] for row in people]
    table = [*rows, [max(column) for column in zip(*rows, strict=True)]] if rows else []
    return {
        Cell(row, column)
        for row, line in enumerate(table)
        for column, number in enumerate(line)
        if small(number, smallest)
    }


def _judgement(row: Sequence[int | None]) -> SelfJudgement | None:
    counts = [count for count in row[: len(_SEEN)] if count is not None]
    return self_judgement(Cells(*counts), Counter()) if len(counts) == len(_SEEN) else None


def _shown(counts: Sequence[Sequence[int]], hidden: frozenset[Cell]) -> tuple[tuple[int | None, ...], ...]:
    return tuple(
        tuple(None if (row, column) in hidden else count for column, count in enumerate(line))
        for row, line in enumerate(with_margins(counts))
    )
