"""Research tables in pandas: home practice of those who logged it, and where goals stood at each visit.

    python pandas_tables.py FOLDER

FOLDER is a release as Parquet, whose types pandas keeps: codes are categories, decimals exact. Adherence is
told of logged days alone, each day capped at its prescription; days that were not logged have no row, and are
missing, not 0.
"""

import sys
from pathlib import Path

import pandas as pd


def main() -> None:
    folder = Path(sys.argv[1])
    days = pd.read_parquet(folder / "practice_day.parquet")
    share = (days["repetitions_done"] / days["repetitions_prescribed"]).astype(float).clip(upper=1)
    adherence = share.groupby(days["patient_id"]).agg(["mean", "size"]).sort_values("mean")
    for mean, size in adherence.itertuples(index=False):
        print(f"adherence {100 * mean:.1f} % of {size} logged days")

    statuses = pd.read_parquet(folder / "goal_status.parquet")
    goals = pd.read_parquet(folder / "goal.parquet", columns=["goal_id", "measure"])
    joined = statuses.merge(goals, on="goal_id", validate="many_to_one")
    counts = pd.crosstab(joined["measure"], joined["status"])
    print(counts.to_string())


if __name__ == "__main__":
    main()
