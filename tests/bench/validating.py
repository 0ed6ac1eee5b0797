"""Validation against ``fhir.resources``: a Bundle, every official example, and a process of its own.

``fhir.resources`` checks structure only; what it refuses to read is left out on both sides.
"""

import json
import os
import subprocess
import sys
from pathlib import Path
from statistics import median
from typing import Any

from fhir.resources.R4B import get_fhir_model_class

from service.fhir.json import dump, parse, reread
from service.fhir.validation import check
from tests.bench.measure import Row, Size, alternately
from tests.r4_examples import FOLDER

__all__ = ["bundle_validated", "examples_validated", "validator_alone"]

BUNDLE_LIMIT = 0.5
COLD_LIMIT = 0.7
MEMORY_LIMIT = 120
_ENTRIES = 60
_USUAL_BYTES = 50_000
_COLD = """
import json, sys, time
text = open(sys.argv[1], "rb").read()
begin = time.perf_counter()
from service.fhir.json import parse
from service.fhir.validation import check
check(parse(text))
print(time.perf_counter() - begin)
"""
_ALL = """
import sys
from pathlib import Path
from service.fhir.json import parse
from service.fhir.validation import check
for name in Path(sys.argv[1]).read_text().split():
    check(parse(Path(name).read_bytes(), max_depth=200))
status = Path("/proc/self/status").read_text()
print(next(line for line in status.splitlines() if line.startswith("VmRSS")).split()[1])
"""


async def bundle_validated(contents: list[bytes], rounds: int) -> Row:
    """A transaction Bundle of sixty resources, from text to the list of its problems."""
    text = _bundle(contents)
    bundle: Any = get_fhir_model_class("Bundle")

    async def ours() -> None:
        check(parse(text))

    async def floor() -> None:
        bundle.model_validate_json(text)

    work, baseline = await alternately(ours, floor, rounds=rounds)
    return Row(
        f"validate a Bundle of {_ENTRIES} entries, {len(text):,} bytes",
        "fhir.resources model_validate_json",
        work,
        baseline,
        BUNDLE_LIMIT,
    )


async def examples_validated(rounds: int) -> Row:
    """The official examples that ``fhir.resources`` reads, one after the other; seconds for each."""
    read = [(path.read_bytes(), _model(path)) for path in sorted(FOLDER.glob("*.json")) if _model(path)]
    known = [(text, model) for text, model in read if _readable(text, model)]

    async def ours() -> None:
        for text, _ in known:
            check(parse(text, max_depth=200))

    async def floor() -> None:
        for text, model in known:
            model.model_validate_json(text)

    work, baseline = await alternately(ours, floor, rounds=rounds)
    size = sum(len(text) for text, _ in known)
    return Row(
        f"validate one of {len(known):,} official examples ({size / len(known):,.0f} bytes)",
        "fhir.resources model_validate_json",
        [one / len(known) for one in work],
        [one / len(known) for one in baseline],
    )


def validator_alone(contents: list[bytes], folder: Path) -> list[Size]:
    """The validator in a process of its own: until its first verdict, and its memory after every type."""
    path = folder / "observation.json"
    path.write_bytes(next(text for text in contents if parse(text)["resourceType"] == "Observation"))
    cold = [float(_run(_COLD, path, folder)) for _ in range(6)][1:]  # the first one compiles
    names = folder / "of-every-type"
    names.write_text("\n".join(map(str, _of_every_type())))
    megabytes = int(_run(_ALL, names, folder)) / 1024
    return [
        Size("validator: from import to the first verdict", median(cold), "s", most=COLD_LIMIT),
        Size("validator: memory after an example of every type", megabytes, "MB", most=MEMORY_LIMIT),
    ]


def _run(program: str, argument: Path, folder: Path) -> str:
    """What a program of ours prints; what Python compiles is kept in ``folder``, as where it is installed."""
    words = [sys.executable, "-c", program, str(argument)]
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    environment["PYTHONPYCACHEPREFIX"] = str(folder / "compiled")
    return subprocess.run(  # noqa: S603 - our own
        words, capture_output=True, text=True, check=True, env=environment
    ).stdout


def _of_every_type() -> list[Path]:
    """The longest official example of each type that is no longer than most resources are."""
    found: dict[str, Path] = {}
    for path in sorted(FOLDER.glob("*.json"), key=lambda one: one.stat().st_size):
        if path.stat().st_size <= _USUAL_BYTES:
            found[path.name.partition("-")[0]] = path
    return [path for path in found.values() if path.name != "package.json"]


def _bundle(contents: list[bytes]) -> bytes:
    trees = [reread(text) for text in contents][:_ENTRIES]
    entry = [
        {
            "fullUrl": f"https://bench.example.org/fhir/{tree['resourceType']}/{tree['id']}",
            "resource": tree,
            "request": {"method": "PUT", "url": f"{tree['resourceType']}/{tree['id']}"},
        }
        for tree in trees
    ]
    return dump({"resourceType": "Bundle", "type": "transaction", "entry": entry})


def _model(path: Path) -> Any:
    type_ = json.loads(path.read_bytes()).get("resourceType")
    try:
        return get_fhir_model_class(type_) if type_ else None
    except ValueError:  # not in R4B
        return None


def _readable(text: bytes, model: Any) -> bool:
    try:
        model.model_validate_json(text)
    except ValueError:
        return False
    return True
