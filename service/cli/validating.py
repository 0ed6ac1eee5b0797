"""Judging the resources in files, one after the other or by several processes."""

from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

from service.cli.validation_forms import issues_of_answers
from service.cli.validation_units import MOST_BYTES, Unit, units_of
from service.errors import InvalidInput, Issue, IssueType, Place, Severity
from service.fhir import xml
from service.fhir.guides import read_guide
from service.fhir.json import Tree, parse
from service.fhir.positions import JsonPositions, Positions, located
from service.fhir.positions_xml import XmlPositions
from service.fhir.second_opinion import second_opinion
from service.fhir.validation.profiles import Definitions
from service.fhir.validation.requested import check_requested

__all__ = ["Asked", "Judge", "Judged", "judged"]

_DEEPEST = 200
_WAITING = 4
"""Pieces of work handed out to each process before the first answer is taken."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What resources are held against, besides what they claim; ``forms`` are those among the files."""

    profiles: tuple[str, ...] = ()
    guides: tuple[Path, ...] = ()
    second: bool = False
    forms: tuple[Tree, ...] = ()


@dataclass(frozen=True, slots=True)
class Judged:
    """One resource; ``line`` is where it begins in its file, ``readable`` whether it could be read at all."""

    path: Path
    line: int
    type: str
    id: str
    issues: tuple[Issue, ...]
    readable: bool = True

    @property
    def valid(self) -> bool:
        """Whether there is no error."""
        return not any(issue.severity in {Severity.ERROR, Severity.FATAL} for issue in self.issues)


class Judge:
    """Judges resources. ``guides`` are the names and versions of what they are held against."""

    def __init__(self, asked: Asked) -> None:
        """Read the guides; InvalidInput if one can't be read."""
        self.asked = asked
        guides = [read_guide(path) for path in asked.guides]
        self.guides = tuple(f"{one.name} {one.version}".strip() for one in guides)
        self._definitions = Definitions(*guides)

    def unit(self, unit: Unit) -> list[Judged]:
        """Judge the resources of one piece of work."""
        if unit.lines is not None:
            numbered = enumerate(unit.lines, unit.first)
            return [self._text(unit.path, line, number) for number, line in numbered if line.strip()]
        try:
            if unit.path.stat().st_size > MOST_BYTES:
                return [_unreadable(unit.path, [Issue(f"The file is larger than {MOST_BYTES} bytes.")])]
            return [self._text(unit.path, unit.path.read_bytes(), 1)]
        except OSError as error:
            return [_unreadable(unit.path, [Issue(f"The file can't be read: {error.strerror}.")])]

    def _text(self, path: Path, text: bytes, line: int) -> Judged:
        is_xml = path.suffix.lower() == ".xml"
        try:
            tree = (xml.parse if is_xml else parse)(text, max_depth=_DEEPEST)
        except InvalidInput as error:
            known = all(issue.severity is not Severity.FATAL for issue in error.issues)
            return _unreadable(path, _moved(error.issues, line), line, readable=known)
        issues = check_requested(tree, self.asked.profiles, self._definitions)
        issues += tuple(issues_of_answers(tree, self.asked.forms, self._definitions))
        if self.asked.second:
            issues = (*issues, *map(_second, second_opinion(tree)))
        if issues:
            positions: Positions = XmlPositions(text) if is_xml else JsonPositions(text.decode("utf-8-sig"))
            issues = tuple(_moved(located(issues, positions), line))
        return Judged(path, line, _text(tree, "resourceType"), _text(tree, "id"), issues)


def judged(files: Iterable[Path], judge: Judge, jobs: int = 1) -> Iterator[tuple[Path, list[Judged]]]:
    """Judge every file, in order: what is known of it so far, so that memory stays bounded."""
    if jobs == 1:
        for unit in _units(files):
            yield unit.path, judge.unit(unit)
        return
    with ProcessPoolExecutor(jobs, initializer=_begin, initargs=(judge.asked,)) as pool:
        waiting: deque[tuple[Path, Future[list[Judged]]]] = deque()
        for unit in _units(files):
            waiting.append((unit.path, pool.submit(_work, unit)))
            if len(waiting) > jobs * _WAITING:
                path, first = waiting.popleft()
                yield path, first.result()
        for path, future in waiting:
            yield path, future.result()


_judge: list[Judge] = []
"""The one of this process."""


def _begin(asked: Asked) -> None:
    _judge.append(Judge(asked))


def _work(unit: Unit) -> list[Judged]:
    return _judge[0].unit(unit)


def _units(files: Iterable[Path]) -> Iterator[Unit]:
    for path in files:
        try:
            yield from units_of(path)
        except OSError:
            yield Unit(path)  # which finds out why again, and says so


def _moved(issues: Iterable[Issue], line: int) -> Sequence[Issue]:
    """Issues of a line of NDJSON, placed in its file."""
    return [replace(issue, place=_at(issue.place, line)) for issue in issues]


def _at(place: Place, line: int) -> Place:
    return replace(place, line=(place.line or 1) + line - 1)


def _second(issue: Issue) -> Issue:
    return replace(issue, severity=Severity.INFORMATION, code=IssueType.INFORMATIONAL, rule="second-opinion")


def _unreadable(path: Path, issues: Iterable[Issue], line: int = 1, *, readable: bool = False) -> Judged:
    return Judged(path, line, "", "", tuple(issues), readable)


def _text(tree: Tree, name: str) -> str:
    value = tree.get(name)
    return value[:64] if isinstance(value, str) else ""
