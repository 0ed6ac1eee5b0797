"""The table is as the tests say, and no required row is without a test or a reason."""

import pytest
from conformance.table import FAILS, PASSES, TABLE, cells, required, rows


@pytest.fixture
def marked(table_of_marks):
    """The table as the marks of today's tests make it, without running them."""
    return cells(table_of_marks)


@pytest.fixture(scope="module")
def written():
    return cells(TABLE.read_text("utf-8"))


def test_the_written_table_is_what_the_marks_make(marked, written):
    stale = [name for name in marked if marked[name] != written.get(name)]
    assert stale == [], "run 'make conformance'"
    assert marked.keys() == written.keys()


def test_nothing_of_the_table_was_written_by_hand(table_of_marks):
    assert table_of_marks == TABLE.read_text("utf-8"), "run 'make conformance'"


def test_marks_name_rows_there_are(marked):
    assert list(marked) == [row["row"] for row in rows()]


def test_every_required_row_passes_or_says_why(written):
    missing = [
        row["row"]
        for row in rows()
        if required(row) and not written[row["row"]][-1].startswith(PASSES) and not row.get("reason")
    ]
    assert missing == []


def test_every_other_row_without_a_test_says_why(written):
    assert [name for name, cell in written.items() if cell[-1] == "-"] == []


def test_no_marked_test_failed(written):
    assert [name for name, cell in written.items() if FAILS in cell[-1]] == []
