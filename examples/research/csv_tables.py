"""Research tables as plain CSV, for any program that reads CSV: what the data dictionary is for.

    python csv_tables.py FOLDER

In R the same is ``read.csv(file, na.strings = "")`` with ``colClasses`` and ``factor(levels = )`` from
``dictionary.csv``. An empty cell is missing; where a column says why, the dictionary names it.
"""

import csv
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

READ = {"integer": int, "boolean": "true".__eq__}


def rows(file: Path) -> Iterator[dict[str, str]]:
    with file.open(encoding="utf-8", newline="") as text:
        yield from csv.DictReader(text)


def typed(folder: Path, table: str) -> Iterator[dict[str, Any]]:
    """The rows of a table, each value of its type; None where it is missing."""
    known = {row["column"]: row["type"] for row in rows(folder / "dictionary.csv") if row["table"] == table}
    for row in rows(folder / f"{table}.csv"):
        yield {name: value_of(known[name] or "string", text) if text else None for name, text in row.items()}


def value_of(kind: str, text: str) -> Any:
    return Decimal(text) if kind.startswith("decimal") else READ.get(kind, str)(text)


def main() -> None:
    folder = Path(sys.argv[1])
    labels: defaultdict[str, list[str]] = defaultdict(list)
    for row in rows(folder / "dictionary.csv"):
        if row["table"] == "bolus" and row["code"]:
            labels[row["column"]].append(row["code"])
    scores = Counter(bolus["pas"] for bolus in typed(folder, "bolus") if bolus["manoeuvre"] == "none")
    print("boluses by penetration-aspiration score, never averaged:")
    for score in sorted(score for score in scores if score is not None):
        print(f"{score}: {scores[score]}")
    print(f"residue is one of: {', '.join(labels['residue_vallecula'])}")


if __name__ == "__main__":
    main()
