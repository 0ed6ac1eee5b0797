"""Collects what is wrong with a record: every problem with its place, none twice."""

from dataclasses import dataclass, field

from service.errors import Issue, IssueType, Severity
from service.records.places import Path, Places

__all__ = ["Report"]

_MOST_ISSUES = 1_000


@dataclass(slots=True)
class Report:
    """The issues found so far; ``below`` gives the same report with its paths starting further down."""

    places: Places
    path: Path = ()
    issues: list[Issue] = field(default_factory=list)
    unreadable: set[Path] = field(default_factory=set)

    def below(self, *steps: str | int) -> "Report":
        """The same report, for the part at ``steps``."""
        return Report(self.places, (*self.path, *steps), self.issues, self.unreadable)

    @property
    def is_full(self) -> bool:
        """Are there more problems than anybody reads?"""
        return len(self.issues) > _MOST_ISSUES

    def shape(self, message: str, code: IssueType = IssueType.VALUE) -> None:
        """The value here can't be read; rules about it stay silent from now on."""
        self.unreadable.add(self.path)
        self._add(self.path, message, Severity.ERROR, code, "shape")

    def error(self, steps: str | Path, message: str, rule: str) -> None:
        """The rule named ``rule`` is broken by the value at ``steps`` ("" is the part itself)."""
        self._rule(steps, message, Severity.ERROR, rule)

    def warn(self, steps: str | Path, message: str, rule: str) -> None:
        """Something to look at; it does not keep the record out."""
        self._rule(steps, message, Severity.WARNING, rule)

    def _rule(self, steps: str | Path, message: str, severity: Severity, rule: str) -> None:
        path = (*self.path, *((steps,) if isinstance(steps, str) and steps else steps))
        if path not in self.unreadable:
            self._add(path, message, severity, IssueType.BUSINESS_RULE, rule)

    def _add(self, path: Path, message: str, severity: Severity, code: IssueType, rule: str) -> None:
        if self.is_full:
            return
        if len(self.issues) == _MOST_ISSUES:
            message = f"There are more than {_MOST_ISSUES} problems; the others are not listed."
            severity, code, path, rule = Severity.ERROR, IssueType.TOO_LONG, (), "too-many-problems"
        self.issues.append(Issue(message, severity, code, self.places.at(path), rule))
