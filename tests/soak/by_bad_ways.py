"""Whether a thousand visits arrive once by a bad way, as FHIR and as HL7 v2 messages.

The receiver is killed meanwhile; what is not as it should be ends the run.
"""

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

from tests.bench.measure import Size

__all__ = ["delivered", "told"]

_TESTS = Path(__file__).parents[1]
_PROGRAM = """
import json, sys
from importlib import import_module
from pathlib import Path
work = getattr(import_module(sys.argv[1]), sys.argv[2])
print(json.dumps(work(Path(sys.argv[3]), int(sys.argv[4]))))
"""


def delivered(folder: Path, people: int) -> list[Size]:
    """Deliver the visits of so many people."""
    found = _ran("delivered_through", "delivered_in_full", folder, people)
    visits = f"{found['visits']:,} visits by a bad way"
    return [
        Size(f"resources delivered of {visits}, each once and in order", found["resources"], ""),
        Size(f"faults that {visits} met", found["faults"], ""),
        Size(f"seconds from the first load to the last arrival of {visits}", found["seconds"], "s"),
    ]


def told(folder: Path, people: int) -> list[Size]:
    """Tell of the visits of so many people in messages."""
    found = _ran("told_through", "told_in_full", folder, people)
    visits = f"{found['visits']:,} visits as HL7 v2 messages by a bad way"
    return [
        Size(f"reports of {visits}, each once in effect and the latest last", found["messages"], ""),
        Size(f"messages that came of {visits}, again and again", found["came"], ""),
        Size(f"faults that {visits} met", found["faults"], ""),
        Size(f"seconds for telling of {visits}, and of corrections", found["seconds"], "s"),
    ]


def _ran(module: str, function: str, folder: Path, people: int) -> dict[str, Any]:
    """What a work of the tests' own answers, in a process that finds their modules."""
    command = [sys.executable, "-c", _PROGRAM, module, function, str(folder), str(people)]
    environment = os.environ | {"PYTHONPATH": f"{_TESTS}{os.pathsep}{_TESTS.parent}"}
    ended = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True, env=environment)  # noqa: S603 - our own command
    found: dict[str, Any] = json.loads(ended.stdout.splitlines()[-1])
    return found
