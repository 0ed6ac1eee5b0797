"""Hidden cells held against what a reader of the table can work out, by linear programming."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from service.deidentify.cells import Cell, coarsened, hidden_cells, small, span, with_margins

COUNTS = st.one_of(st.integers(0, 14), st.integers(0, 60), st.just(0))
TABLES = st.tuples(st.integers(1, 4), st.integers(1, 4)).flatmap(
    lambda size: st.lists(
        st.lists(COUNTS, min_size=size[1], max_size=size[1]), min_size=size[0], max_size=size[0]
    )
)


def worked_out(counts, hidden, cell):
    """The least and the largest value of a hidden cell, given everything that is shown."""
    table = np.array(with_margins(counts))
    rows, columns = table.shape
    place = {one: number for number, one in enumerate(sorted(hidden))}
    lines = [[((row, c), 1 if c < columns - 1 else -1) for c in range(columns)] for row in range(rows)]
    lines += [[((r, column), 1 if r < rows - 1 else -1) for r in range(rows)] for column in range(columns)]
    left, right = np.zeros((len(lines), len(place))), np.zeros(len(lines))
    for number, line in enumerate(lines):
        for one, sign in line:
            if one in place:
                left[number, place[one]] += sign
            else:
                right[number] -= sign * table[one]
    goal = np.zeros(len(place))
    goal[place[cell]] = 1
    least = linprog(goal, A_eq=left, b_eq=right, bounds=(0, None))
    most = linprog(-goal, A_eq=left, b_eq=right, bounds=(0, 10_000))
    assert least.success
    assert most.success
    return least.fun, -most.fun


@pytest.mark.published("scipy.optimize.linprog as the auditor")
@settings(max_examples=30)
@given(counts=TABLES)
def test_no_small_cell_can_be_worked_out(counts):
    hidden = hidden_cells(counts)
    table = with_margins(counts)
    for row, line in enumerate(table):
        for column, count in enumerate(line):
            if small(count):
                assert (row, column) in hidden
    for cell in hidden:
        if small(table[cell.row][cell.column]):
            low, high = worked_out(counts, hidden, cell)
            assert high - low > 9.99, (cell, hidden)
        assert span(counts, hidden, cell)[1] > span(counts, hidden, cell)[0]


@pytest.mark.published("scipy.optimize.linprog as the auditor")
@settings(max_examples=15)
@given(counts=TABLES)
def test_what_fits_is_told_exactly(counts):
    hidden = hidden_cells(counts)
    for cell in sorted(hidden)[:4]:
        low, high = worked_out(counts, hidden, cell)
        mine = span(counts, hidden, cell, 5_000)
        assert mine[0] == pytest.approx(low, abs=1e-6)
        assert min(mine[1], 4_000) == pytest.approx(min(high, 4_000), abs=1e-6)


@settings(max_examples=30)
@given(counts=TABLES.map(lambda counts: [*counts, [11] * len(counts[0])]))
def test_margins_that_are_told_elsewhere_are_counted_with(counts):
    table = with_margins(counts)
    last = len(table) - 1
    assume(not any(map(small, table[last])))
    known = {Cell(last, column) for column in range(len(table[last]))}
    hidden = hidden_cells(counts, known=known)
    assert not hidden & known
    for cell in hidden:
        if small(table[cell.row][cell.column]):
            low, high = worked_out(counts, hidden, cell)
            assert high - low > 9.99


def test_one_small_cell_takes_others_with_it():
    counts = [[40, 5, 30], [20, 25, 35]]
    assert hidden_cells([[40, 50], [20, 25]]) == frozenset()
    hidden = hidden_cells(counts)
    assert Cell(0, 1) in hidden
    assert len(hidden) == 4  # with the cells that close the rectangle
    assert worked_out(counts, {Cell(0, 1)}, Cell(0, 1)) == (5, 5)


def test_a_table_of_few_people_is_hidden_with_its_total():
    assert hidden_cells([[3]]) == {Cell(0, 0), Cell(0, 1), Cell(1, 0), Cell(1, 1)}
    assert hidden_cells([[2, 1], [0, 2]]) >= {Cell(2, 2), Cell(0, 0), Cell(0, 1), Cell(1, 1)}


def test_nothing_but_zeros_is_told():
    assert hidden_cells([[0, 0], [0, 0]]) == frozenset()


def test_a_limit_of_the_site_counts():
    assert hidden_cells([[6, 40], [50, 60]], 5) == frozenset()
    assert Cell(0, 0) in hidden_cells([[4, 40], [50, 60]], 5)


def test_cells_are_hidden_for_another_reason_too():
    hidden = hidden_cells([[40, 50], [20, 25]], also={Cell(0, 0)})
    assert Cell(0, 0) in hidden
    assert len(hidden) > 1


def test_periods_are_joined_until_none_is_small():
    assert coarsened([[3, 0], [9, 12], [0, 0], [20, 11], [4, 0]]) == [2, 1, 2]
    assert coarsened([[11, 0], [12, 20]]) == [1, 1]
    assert coarsened([[3, 0], [2, 0]]) == []
    assert coarsened([]) == []


@given(st.lists(st.tuples(st.integers(0, 15), st.integers(0, 40)), max_size=12))
def test_joined_periods_hold_everybody(periods):
    sizes = coarsened(periods)
    if sizes:
        assert sum(sizes) == len(periods)
        begun = 0
        for size in sizes:
            together = [sum(column) for column in zip(*periods[begun : begun + size], strict=True)]
            assert not any(map(small, together))
            begun += size
    else:
        assert any(small(sum(column)) for column in zip(*periods, strict=True)) or not periods
