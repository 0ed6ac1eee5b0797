"""Where a cohort is counted: DuckDB in this process, or Apache Spark.

Loaded only when a cohort is asked for: ibis, DuckDB and Spark are extras and slow to import.
"""

import csv
from collections.abc import Iterable, Mapping, Sequence
from functools import reduce
from pathlib import Path
from typing import Any, Literal, cast, get_args

import ibis
from duckdb import Error as DuckDBError

from service.errors import InvalidInput
from service.jobs import cohort_expressions as expressions
from service.jobs.cohort_counts import Counts, Group, Judged
from service.jobs.cohort_question import Question
from service.jobs.cohort_sources import NEEDED, Source
from service.jobs.cohort_words import IN_COHORT, LEFT_OUT, NOT_THESE_TABLES
from service.jobs.tables import Field, tables

__all__ = ["ENGINES", "Engine", "counted", "spark_session"]

Engine = Literal["duckdb", "spark"]
ENGINES: tuple[Engine, ...] = get_args(Engine)
_TYPES = {"string": "string", "boolean": "boolean", "integer": "int64", "date": "date", "decimal": "float64"}

_PARTITIONS, _EACH = "spark.sql.shuffle.partitions", 2
"""Parts into which rows are dealt, for each processor (Spark's tuning guide); its own 200 are for more."""

_TOLD = ("days", "visits", "dose", "of_logged_days", "unlogged_as_zero")

By = dict[str, dict[str, int]]
Expr = Any  # ibis has no types of its own that mypy could follow


def spark_session() -> Any:
    """A session of Apache Spark as its own configuration says, else on this machine; InvalidInput without."""
    try:
        from pyspark.sql import SparkSession  # noqa: PLC0415 - an extra, and slow to load
    except ModuleNotFoundError:
        raise InvalidInput("Spark needs pyspark here: pip install 'swallow-interop[spark]'.") from None
    session = SparkSession.builder.appName("swallow-interop cohort").getOrCreate()
    session.sparkContext.setLogLevel("ERROR")
    if not session.sparkContext.getConf().contains(_PARTITIONS):
        session.conf.set(_PARTITIONS, str(_EACH * session.sparkContext.defaultParallelism))
    return session


def counted(given: Sequence[Source], asked: Question, session: Any = None) -> Counts:
    """Count a cohort, by Spark if its ``session`` is given. InvalidInput: what these tables can't answer."""
    kept = [one for one in given if _asked_for(one, asked)]
    if not kept:
        known = ", ".join(f"{one.site} ({one.policy or 'no policy told'})" for one in given)
        raise InvalidInput(f"No tables are of a site and policy asked for; there are: {known}.")
    con = ibis.duckdb.connect() if session is None else ibis.pyspark.connect(session)
    try:
        return _Counting(con, given, kept, asked).counts()
    except _unreadable(session) as problem:
        told = str(problem).partition("\n")[0][:200]
        raise InvalidInput(f"The tables can't be read as research tables: {told}") from problem


def _unreadable(session: Any) -> type[Exception]:
    """What the engine raises where a table holds something else than its columns should."""
    if session is None:
        return DuckDBError
    from pyspark.errors import PySparkException  # noqa: PLC0415 - as above

    return cast("type[Exception]", PySparkException)


def _asked_for(source: Source, asked: Question) -> bool:
    sites, policies = asked.sites, asked.policies
    return (not sites or source.site in sites) and (not policies or source.policy in policies)


def _as_text(file: str) -> str:
    """The columns of a CSV file as Spark's schema of texts, which would else take a job to find them."""
    with Path(file).open(newline="", encoding="utf-8") as lines:
        return ", ".join(f"`{name}` string" for name in next(csv.reader(lines), []))


def _timed(counts: Mapping[Group, By]) -> dict[Group, dict[int, dict[str, int]]]:
    return {group: {int(time): ended for time, ended in by.items()} for group, by in counts.items()}


class _Counting:
    """One cohort on one engine."""

    def __init__(self, con: Any, given: Sequence[Source], kept: Sequence[Source], asked: Question) -> None:
        self._con, self._given, self._kept, self._asked = con, given, kept, asked
        self._tables = {name: self._table(name, kept) for name in NEEDED}

    def counts(self) -> Counts:
        self._once_each()
        found = self._kept_rows(expressions.spells(self._tables, self._asked, self._kept_rows))
        told = self._told(found)
        return Counts(
            _timed(told["days"]),
            _timed(told["visits"]),
            told["dose"],
            told["of_logged_days"],
            told["unlogged_as_zero"],
            self._judged(found),
            self._flow(found),
        )

    def _kept_rows(self, found: Expr) -> Expr:
        """The rows computed once; an ibis table that is cached is not dropped again by DuckDB 2."""
        if self._con.name == "duckdb":
            return self._con.create_table(ibis.util.gen_name("cohort"), found, temp=True)
        return found.cache()

    def _table(self, name: str, of: Iterable[Source]) -> Expr:
        """A table of all sites, with its columns as they should be and the site."""
        fields = [field for field in tables()[name].fields if not field.collection]
        return reduce(
            lambda one, other: one.union(other), (self._read(name, fields, source) for source in of)
        )

    def _read(self, name: str, fields: Sequence[Field], source: Source) -> Expr:
        file = str(source.folder / f"{name}.{source.format}")
        if source.format == "parquet":
            table = self._con.read_parquet(file)
        elif self._con.name == "duckdb":
            table = self._con.read_csv(file, all_varchar=True, header=True)
        else:
            table = self._con.read_csv(file, header=True, inferSchema=False, schema=_as_text(file))
        if missing := [field.name for field in fields if field.name not in table.columns]:
            raise InvalidInput(f"{source.site}: the table '{name}' lacks the columns {', '.join(missing)}.")
        columns = {field.name: table[field.name].cast(_TYPES[field.kind]) for field in fields}
        return table.select(**columns, site=ibis.literal(source.site))

    def _once_each(self) -> None:
        people = self._tables["patient"]
        twice = people.group_by("patient_id").having(ibis._.count() > 1).aggregate(n=ibis._.count())
        if many := self._number(twice):
            raise InvalidInput(
                f"{many} people stand in the tables more than once; name each release once, and no two "
                "releases of the same people."
            )

    def _number(self, rows: Expr) -> int:
        (told,) = self._rows(rows.aggregate(n=rows.count()))
        return int(told["n"])

    def _rows(self, expression: Expr) -> list[dict[str, Any]]:
        rows: list[dict[str, Any]] = self._con.to_pyarrow(expression).to_pylist()
        return rows

    def _told(self, found: Expr) -> dict[str, dict[Group, By]]:
        told: dict[str, dict[Group, By]] = {column: {} for column in _TOLD}
        for row in self._rows(expressions.counts(found, _TOLD)):
            group = told[row["told"]].setdefault(Group(row["measure"], row["stratum"]), {})
            group.setdefault(row["value"], {})[row["ending"]] = row["people"]
        return told

    def _judged(self, found: Expr) -> dict[str, dict[int, dict[str, Judged]]]:
        judged: dict[str, dict[int, dict[str, Judged]]] = {}
        for row in self._rows(expressions.judgements(self._tables, found)):
            visit = judged.setdefault(row["stratum"], {}).setdefault(row["visit"], {})
            visit[row["cell"]] = Judged(row["trials"], row["people"])
        return judged

    def _flow(self, found: Expr) -> dict[str, int]:
        names = (*LEFT_OUT, IN_COHORT)
        flow = {names[row["place"]]: row["people"] for row in self._rows(expressions.flow(found))}
        others = [one for one in self._given if one not in self._kept]
        if others:
            flow[NOT_THESE_TABLES] = self._number(self._table("patient", others))
        ordered = (NOT_THESE_TABLES, *names)
        return {name: flow[name] for name in ordered if name in flow}
