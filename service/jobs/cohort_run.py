"""A cohort from its question to its answer, without loading an engine before there is a question."""

from collections.abc import Sequence
from importlib import import_module
from pathlib import Path
from typing import Any

from service.errors import InvalidInput
from service.jobs.cohort_answer import CohortAnswer, answer
from service.jobs.cohort_question import Question
from service.jobs.cohort_sources import Source, sources, sources_in, test_data

__all__ = ["told", "told_in"]


def told(folders: Sequence[Path], asked: Question, *, spark: bool = False) -> CohortAnswer:
    """Tell of the cohort in these folders of tables; InvalidInput: what can't be read or answered."""
    return _answered(sources(folders), asked, spark=spark)


def told_in(place: Path, asked: Question) -> CohortAnswer:
    """The same of a folder of tables, or of all folders in it."""
    return _answered(sources_in(place), asked)


def _answered(found: Sequence[Source], asked: Question, *, spark: bool = False) -> CohortAnswer:
    engine = _engine()
    counts = engine.counted(found, asked, engine.spark_session() if spark else None)
    return answer(counts, asked, test_data(found))


def _engine() -> Any:
    try:
        return import_module("service.jobs.cohort_engine")
    except ModuleNotFoundError:
        raise InvalidInput("Cohorts need more packages: pip install 'swallow-interop[research]'.") from None
