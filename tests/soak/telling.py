"""Whether a thousand visits are told in HL7 v2 messages by a bad way: once in effect, the latest last."""

import json
import os
import subprocess
import sys
from pathlib import Path

from tests.bench.measure import Size

__all__ = ["told"]

_TESTS = Path(__file__).parents[1]
_PROGRAM = """
import json, sys
from pathlib import Path
from told_through import told_in_full
print(json.dumps(told_in_full(Path(sys.argv[1]), int(sys.argv[2]))))
"""


def told(folder: Path, people: int) -> list[Size]:
    """Tell of the visits of so many people; what is not as it should be ends it."""
    command = [sys.executable, "-c", _PROGRAM, str(folder), str(people)]
    environment = os.environ | {"PYTHONPATH": f"{_TESTS}{os.pathsep}{_TESTS.parent}"}
    ended = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True, env=environment)  # noqa: S603 - our own command
    found = json.loads(ended.stdout.splitlines()[-1])
    visits = f"{found['visits']:,} visits as HL7 v2 messages by a bad way"
    return [
        Size(f"reports of {visits}, each once in effect and the latest last", found["messages"], ""),
        Size(f"messages that came of {visits}, again and again", found["came"], ""),
        Size(f"faults that {visits} met", found["faults"], ""),
        Size(f"seconds for telling of {visits}, and of corrections", found["seconds"], "s"),
    ]
