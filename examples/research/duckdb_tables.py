"""Research tables in SQL: how often patients judged their own trials right, from Parquet, CSV or NDJSON.

    python duckdb_tables.py FOLDER

FOLDER is a release: ``swallow-interop export --variant safe-harbor --views FOLDER``. A trial and what the
patient said of it are two tables, joined by ``trial_id``. Only the opening probe block (``pre``) is compared,
as goals count nothing else, and only where both are known.
"""

import sys
from pathlib import Path

import duckdb

AGREEMENT = """
    SELECT t.patient_id,
           count(*) FILTER (t.closure = 'closed') AS closed,
           count(*) FILTER (t.closure IS NOT NULL) AS rated,
           count(*) FILTER (j.judgement IN ('closed', 'not-closed') AND t.closure IS NOT NULL) AS judged,
           count(*) FILTER (j.judgement = t.closure) AS agreed
    FROM trial t LEFT JOIN trial_judgement j USING (trial_id)
    WHERE t.block = 'pre'
    GROUP BY t.patient_id
    ORDER BY closed, rated
"""


def opened(folder: Path) -> duckdb.DuckDBPyConnection:
    """A database in memory with a view for each table of the release."""
    database = duckdb.connect()
    readers = {"parquet": "read_parquet", "csv": "read_csv", "ndjson": "read_json"}
    for ending, reader in readers.items():
        for file in sorted(folder.glob(f"*.{ending}")):
            if file.stem != "dictionary":
                database.sql(f"CREATE VIEW {file.stem} AS SELECT * FROM {reader}('{file}')")  # noqa: S608 - our own files
    return database


def main() -> None:
    database = opened(Path(sys.argv[1]))
    rows = database.sql(AGREEMENT).fetchall()
    for _, closed, rated, judged, agreed in rows:
        print(f"closed {closed} of {rated}; own judgement right {agreed} of {judged}")
    closed, rated = (sum(row[place] for row in rows) for place in (1, 2))
    print(f"{len(rows)} people: closed {closed} of {rated} rated trials of the opening block")


if __name__ == "__main__":
    main()
