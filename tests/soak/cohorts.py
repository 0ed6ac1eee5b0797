"""Cohorts of the tables of many invented people: time by DuckDB, growth, and Apache Spark beside it."""

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from service.jobs.cohort_engine import counted, spark_session
from service.jobs.cohort_question import Question
from service.jobs.cohort_sources import sources
from tests.bench.measure import Size

__all__ = ["cohorts"]

MOST_SECONDS = 10
MOST_GROWTH = 1.1
"""Times as long for each person as in tables of few."""
_ASKED = Question(by="state")


def cohorts(few: Path, many: Path) -> Iterator[Size]:
    """Count the people of both folders of tables by state."""
    (little,), (much,) = sources([few]), sources([many])
    _counted(few)  # what is imported and compiled once is not measured
    _, _, small = _counted(few)
    told, seconds, large = _counted(many)
    what = f"a cohort of {much.people:,} people, by state"
    yield Size(f"{what} (DuckDB)", seconds, "s", MOST_SECONDS)
    yield Size(f"{what} (DuckDB): processor time", large, "s")
    growth = (large / (much.people or 1)) / (small / (little.people or 1))
    yield Size(f"{what}: each, times as of {little.people:,}, by processor time", growth, "x", MOST_GROWTH)
    session = spark_session()
    by_spark, seconds, _ = _counted(many, session)
    session.stop()
    yield Size(f"{what} (Apache Spark on this machine)", seconds, "s")
    yield Size(f"{what}: counts that the two have otherwise", int(by_spark != told), "", 0)


def _counted(folder: Path, session: Any = None) -> tuple[Any, float, float]:
    """The counts, seconds and seconds of this process's processor time."""
    begin, used = time.perf_counter(), time.process_time()
    found = counted(sources([folder]), _ASKED, session)
    return found, time.perf_counter() - begin, time.process_time() - used
