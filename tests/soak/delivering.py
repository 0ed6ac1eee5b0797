"""Whether a thousand visits arrive once and in order by a bad way, the receiver killed meanwhile."""

import json
import os
import subprocess
import sys
from pathlib import Path

from tests.bench.measure import Size

__all__ = ["delivered"]

_TESTS = Path(__file__).parents[1]
_PROGRAM = """
import json, sys
from pathlib import Path
from delivered_through import delivered_in_full
print(json.dumps(delivered_in_full(Path(sys.argv[1]), int(sys.argv[2]))))
"""


def delivered(folder: Path, people: int) -> list[Size]:
    """Deliver the visits of so many people; what is not as it should be ends it."""
    command = [sys.executable, "-c", _PROGRAM, str(folder), str(people)]
    environment = os.environ | {"PYTHONPATH": f"{_TESTS}{os.pathsep}{_TESTS.parent}"}
    ended = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True, env=environment)  # noqa: S603 - our own command
    found = json.loads(ended.stdout.splitlines()[-1])
    visits = f"{found['visits']:,} visits by a bad way"
    return [
        Size(f"resources delivered of {visits}, each once and in order", found["resources"], ""),
        Size(f"faults that {visits} met", found["faults"], ""),
        Size(f"seconds from the first load to the last arrival of {visits}", found["seconds"], "s"),
    ]
