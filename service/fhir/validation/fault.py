"""One fault as a check finds it, before it is known where in the resource the checked part stands."""

from typing import NamedTuple

from service.errors import IssueType, Severity

__all__ = ["Fault"]


class Fault(NamedTuple):
    """``path`` is relative to the part that was checked: empty for itself, ``.component[2].valueQuantity``.

    It names what is missing, or is no element, too: ``places.py`` tells it at what is there.

    ``rule`` is the id of what was broken, where it has one: an invariant's key, a value set's canonical.
    """

    path: str
    message: str
    code: IssueType
    rule: str = ""
    severity: Severity = Severity.ERROR
