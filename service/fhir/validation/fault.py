"""One fault as a check finds it, before it is known where in the resource the checked part stands."""

from typing import NamedTuple

from service.errors import Issue, IssueType, Place, Severity

__all__ = ["Fault"]


class Fault(NamedTuple):
    """``path`` is relative to the part that was checked: empty for itself, ``.component[2].valueQuantity``.

    ``rule`` is the id of what was broken, where it has one: an invariant's key, a value set's canonical.
    """

    path: str
    message: str
    code: IssueType
    rule: str = ""
    severity: Severity = Severity.ERROR

    def at(self, root: str) -> Issue:
        """The issue it is where the part that was checked has the expression ``root``."""
        expression = f"{root}{self.path}".removeprefix(".")
        return Issue(self.message, self.severity, self.code, Place(expression=expression), self.rule)
