"""Loading a large code list with the command, in a process of its own, and asking for codes of it."""

import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from service.fhir.code_systems import SNOMED
from service.store.code_lists import CodeLists
from tests.bench.measure import Size

__all__ = ["loaded"]

MEMORY_LIMIT = 120
# What the system tells of a child that has ended counts the memory of the parent it was forked from.
_LOAD = """
import atexit, pathlib, re
status = pathlib.Path("/proc/self/status")
atexit.register(lambda: print(re.search(r"VmHWM:\\s+(\\d+)", status.read_text())[1]))
from service.cli import main
main()
"""
_HEAD = "id\teffectiveTime\tactive\tmoduleId\t"
_CORE, _INFERRED = "900000000000207008", "900000000000011006"
_FULL_NAME, _SYNONYM, _IS_A = "900000000000003001", "900000000000013009", "116680003"
_BRANCHES = 8
_WORDS = ("slow", "loud", "held", "iced", "warm", "thin", "thick", "sweet", "small", "plain", "old")


def loaded(folder: Path, concepts: int) -> list[Size]:
    """Load an invented list as SNOMED CT snapshot files: two descriptions and one parent each."""
    folder.mkdir()
    files = _files(folder, concepts)
    command = [
        sys.executable,
        "-c",
        _LOAD,
        "terminology",
        "load",
        *map(str, files),
        "--data-dir",
        str(folder),
    ]
    begin = time.perf_counter()
    done = subprocess.run(command, capture_output=True, check=True, text=True)  # noqa: S603 - our own command
    seconds = time.perf_counter() - begin
    peak = int(done.stdout.split()[-1])
    rows = 4 * concepts
    name = f"load of a code list of {concepts:,} codes"
    return [
        Size(name, rows / seconds, "rows a second"),
        Size(f"{name}: memory", peak / 1024, "MB", most=MEMORY_LIMIT),
        *_asked(CodeLists(folder / "code-lists"), concepts),
    ]


def _asked(lists: CodeLists, concepts: int) -> list[Size]:
    system = lists.code_system(SNOMED)
    if system is None:
        raise RuntimeError("The list is not there.")
    some = [str(_code(number)) for number in range(1, concepts, concepts // 1_000)]
    found = _each(system.concept, some)
    above = _each(lambda code: system.subsumes(str(_code(0)), code), some)
    begin = time.perf_counter()
    system.matching(["slow", "tea 7"])
    words = time.perf_counter() - begin
    return [
        Size("a code of it", 1e6 * found, "us"),
        Size("whether a code of it is below another", 1e6 * above, "us"),
        Size("codes of it with two words", 1e3 * words, "ms"),
    ]


def _each(ask: Callable[[str], object], codes: Sequence[str]) -> float:
    begin = time.perf_counter()
    for code in codes:
        ask(code)
    return (time.perf_counter() - begin) / len(codes)


def _files(folder: Path, concepts: int) -> list[Path]:
    numbers = range(concepts)
    columns = {
        "Concept": ("definitionStatusId", _concepts),
        "Description": ("conceptId\tlanguageCode\ttypeId\tterm\tcaseSignificanceId", _descriptions),
        "Relationship": (
            "sourceId\tdestinationId\trelationshipGroup\ttypeId\tcharacteristicTypeId\tmodifierId",
            _relationships,
        ),
    }
    paths = []
    for name, (heading, rows) in columns.items():
        path = folder / f"sct2_{name}_Snapshot_INT_20260101.txt"
        with path.open("w", encoding="utf-8") as file:
            file.write(f"{_HEAD}{heading}\n")
            file.writelines(rows(numbers))
        paths.append(path)
    return paths


def _code(number: int) -> int:
    return 100_000_000 + 17 * number


def _concepts(numbers: range) -> Iterator[str]:
    for number in numbers:
        yield f"{_code(number)}\t20260101\t1\t{_CORE}\t900000000000074008\n"


def _descriptions(numbers: range) -> Iterator[str]:
    for number in numbers:
        name = f"{_WORDS[number % len(_WORDS)]} invented tea {number}"
        for kind, (type_, term) in enumerate(((_FULL_NAME, f"{name} (act)"), (_SYNONYM, name))):
            begin = f"{number}0{kind}\t20260101\t1\t{_CORE}"
            yield f"{begin}\t{_code(number)}\ten\t{type_}\t{term}\t900000000000448009\n"


def _relationships(numbers: range) -> Iterator[str]:
    for number in numbers[1:]:
        upper = _code(number // _BRANCHES)
        yield (
            f"{number}7\t20260101\t1\t{_CORE}\t{_code(number)}\t{upper}\t0\t{_IS_A}\t{_INFERRED}"
            "\t900000000000451002\n"
        )
