"""Which cells of a table of people are hidden, so that no small one can be worked out from those shown.

A cell of 1 to ``k - 1`` people is small; 0 may be told (cell size policy of the US Centers for Medicare &
Medicaid Services, resdac.org node 1506). Hiding small cells is not enough: rows, columns and totals add up.
So further cells are hidden until, for each small one, the whole numbers that fit what is shown span at least
the small range (complementary suppression). A table with its margins is a network (a cell joins its row and
its column), so what fits is told exactly by the largest flow that can be added to a cell or taken from it.
What is hidden besides is chosen one cheapest way at a time: it is sufficient, not the least possible.
"""

from collections.abc import Collection, Sequence
from heapq import heappop, heappush
from typing import NamedTuple

__all__ = ["SMALLEST_TOLD", "Cell", "coarsened", "hidden_cells", "small", "span", "with_margins"]

SMALLEST_TOLD = 11
"""The smallest number of people above 0 that is told, unless a site sets another."""

_NO_LIMIT = 1 << 60

Table = Sequence[Sequence[int]]


class Cell(NamedTuple):
    """A place in a table with margins: the last row and the last column hold the totals."""

    row: int
    column: int


class _Way(NamedTuple):
    """A cell as a way of the network: its count grows by what flows from ``tail`` to ``head``."""

    cell: Cell
    tail: int
    head: int


def small(count: int, k: int = SMALLEST_TOLD) -> bool:
    """Whether so many people are too few to be told."""
    return 0 < count < k


def with_margins(counts: Table) -> list[list[int]]:
    """The table with a column of row totals and a row of column totals."""
    rows = [[*row, sum(row)] for row in counts]
    width = len(rows[0]) if rows else 1
    return [*rows, [sum(row[place] for row in rows) for place in range(width)]]


def hidden_cells(
    counts: Table, k: int = SMALLEST_TOLD, *, known: Collection[Cell] = (), also: Collection[Cell] = ()
) -> frozenset[Cell]:
    """Cells to hide of ``counts`` (people by row and column, without margins) and of its margins.

    ``known`` are cells that are told elsewhere, mostly margins, and can't be hidden; ``also`` are to be
    hidden whatever they hold. Where no choice keeps a small cell from being worked out, everything that is
    not known is hidden, and a small known cell is the caller's own telling.
    """
    network = _Network(with_margins(counts), frozenset(known))
    wanted = [cell for cell in network.cells if cell not in known]
    secret = [cell for cell in wanted if cell in also or small(network.count(cell), k)]
    hidden = set(secret)
    for cell in sorted(secret, key=network.count, reverse=True):
        while network.freedom(cell, hidden, k - 1) < k - 1:
            more = network.cheapest(cell, hidden, k - 1)
            if not more:
                return frozenset(wanted)
            hidden |= more
    return frozenset(hidden)


def span(counts: Table, hidden: Collection[Cell], cell: Cell, most: int = _NO_LIMIT) -> tuple[int, int]:
    """The least and the largest count that fits what is shown, at most ``most`` away from the true one."""
    network = _Network(with_margins(counts), frozenset())
    down, up = network.room(cell, set(hidden), most)
    true = network.count(cell)
    return true - down, true + up


def coarsened(periods: Sequence[Sequence[int]], k: int = SMALLEST_TOLD) -> list[int]:
    """Join periods that follow each other, until none of their counts is small.

    A row of ``periods`` has the counts of one period, one a column. Answers how many periods each joined one
    has; their counts are all 0 or at least ``k``, so that neither they nor any sum or difference of them
    tells of fewer. Empty if even all periods together hold a small count.
    """
    sizes: list[int] = []
    sums: list[list[int]] = []
    for row in periods:
        if sums and any(small(one, k) for one in sums[-1]):
            sums[-1] = _added(sums[-1], row)
            sizes[-1] += 1
        else:
            sums.append(list(row))
            sizes.append(1)
    while len(sums) > 1 and any(small(one, k) for one in sums[-1]):
        last, size = sums.pop(), sizes.pop()
        sums[-1] = _added(sums[-1], last)
        sizes[-1] += size
    return sizes if sums and not any(small(one, k) for one in sums[-1]) else []


def _added(one: Sequence[int], other: Sequence[int]) -> list[int]:
    return [a + b for a, b in zip(one, other, strict=True)]


class _Network:
    """A table with margins: a node for each row and column, a way for each cell.

    In a row of counts the cells add up to the row's total, in a column to the column's. So what is added to a
    cell flows on through others: out of its row into its column, through a total the other way round.
    """

    def __init__(self, table: list[list[int]], known: frozenset[Cell]) -> None:
        self._table, self._known = table, known
        self._rows, self._columns = len(table), len(table[0])
        self.cells = [Cell(row, column) for row in range(self._rows) for column in range(self._columns)]
        self._ways = [self._way(cell) for cell in self.cells]
        self._at: list[list[_Way]] = [[] for _ in range(self._rows + self._columns)]
        for way in self._ways:
            self._at[way.tail].append(way)
            self._at[way.head].append(way)

    def count(self, cell: Cell) -> int:
        return self._table[cell.row][cell.column]

    def freedom(self, cell: Cell, hidden: set[Cell], enough: int) -> int:
        """How many whole numbers beside the true one fit, counted up to ``enough`` each way."""
        return sum(self.room(cell, hidden, enough))

    def room(self, cell: Cell, hidden: set[Cell], most: int) -> tuple[int, int]:
        """How far a hidden cell can be below and above its count with only hidden cells changed."""
        way = self._way(cell)
        up = _Flow(self, cell, hidden, way.head, way.tail).push(most)
        down = _Flow(self, cell, hidden, way.tail, way.head).push(min(most, self.count(cell)))
        return down, up

    def cheapest(self, cell: Cell, hidden: set[Cell], enough: int) -> set[Cell]:
        """Cells by which a hidden cell gets more room than it has; none if there are none."""
        way = self._way(cell)
        below = min(enough, self.count(cell))
        found = []
        for source, sink, most in ((way.head, way.tail, enough), (way.tail, way.head, below)):
            flow = _Flow(self, cell, hidden, source, sink)
            if flow.push(most) < most and (more := flow.path(everything=True)):
                found.append((sum(1 + self.count(one) for one in more - hidden), sorted(more - hidden)))
        return set(min(found)[1]) if found else set()

    def steps(self, node: int) -> list[_Way]:
        return self._at[node]

    def known(self, cell: Cell) -> bool:
        return cell in self._known

    def _way(self, cell: Cell) -> _Way:
        row, column = cell.row, self._rows + cell.column
        total = (cell.row == self._rows - 1) != (cell.column == self._columns - 1)
        return _Way(cell, column, row) if total else _Way(cell, row, column)


class _Flow:
    """A flow through hidden cells, from one node to another and past the one cell it is about."""

    def __init__(self, network: _Network, about: Cell, hidden: set[Cell], source: int, sink: int) -> None:
        self._network, self._about, self._hidden = network, about, hidden
        self._source, self._sink = source, sink
        self._moved: dict[Cell, int] = {}

    def push(self, most: int) -> int:
        """Send as much as possible up to ``most``; answers how much went."""
        sent = 0
        while sent < most and (found := self._found(everything=False)):
            amount = min([most - sent, *(self._room(way, forward=forward) for way, forward in found)])
            for way, forward in found:
                self._moved[way.cell] = self._moved.get(way.cell, 0) + (amount if forward else -amount)
            sent += amount
        return sent

    def path(self, *, everything: bool) -> set[Cell]:
        """Cells of the cheapest way on; with ``everything`` also through cells that are not hidden."""
        return {way.cell for way, _ in self._found(everything=everything)}

    def _found(self, *, everything: bool) -> list[tuple[_Way, bool]]:
        came: dict[int, tuple[int, _Way, bool]] = {}
        best, waiting = {self._source: 0}, [(0, self._source)]
        while waiting:
            cost, node = heappop(waiting)
            if node == self._sink:
                return self._back(came)
            if cost > best[node]:
                continue
            for way in self._network.steps(node):
                forward = way.tail == node
                if not self._open(way.cell, everything=everything) or not self._room(way, forward=forward):
                    continue
                other = way.head if forward else way.tail
                reached = cost + (1 if way.cell in self._hidden else 2 + 2 * self._network.count(way.cell))
                if reached < best.get(other, _NO_LIMIT):
                    best[other], came[other] = reached, (node, way, forward)
                    heappush(waiting, (reached, other))
        return []

    def _back(self, came: dict[int, tuple[int, _Way, bool]]) -> list[tuple[_Way, bool]]:
        found, node = [], self._sink
        while node != self._source:
            node, way, forward = came[node]
            found.append((way, forward))
        return found

    def _open(self, cell: Cell, *, everything: bool) -> bool:
        if cell == self._about or self._network.known(cell):
            return False
        return everything or cell in self._hidden

    def _room(self, way: _Way, *, forward: bool) -> int:
        """How much a cell can still take on, or give away: no count is below 0."""
        if forward:
            return _NO_LIMIT
        return self._network.count(way.cell) + self._moved.get(way.cell, 0)
