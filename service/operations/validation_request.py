"""What $validate is asked: a resource, bare or in Parameters, and what is to be looked at."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, cast, get_args

from service.errors import InvalidInput, Issue, IssueType, Place, Severity
from service.fhir import xml
from service.fhir.json import Tree, dump, parse
from service.fhir.positions import JsonPositions, Positions, Step, located
from service.fhir.positions_xml import XmlPositions
from service.operations.arguments import arguments

__all__ = ["Asked", "Mode", "read_request"]

Mode = Literal["", "create", "update", "delete"]
_AROUND = 3
"""Levels a resource inside Parameters stands deeper than on its own."""


@dataclass(frozen=True, slots=True)
class Asked:
    """``within`` is the way to ``resource`` from the root of ``body``; None if no resource was sent."""

    body: bytes
    is_xml: bool
    mode: Mode = ""
    profile: str = ""
    resource: Tree | None = None
    within: tuple[Step, ...] = ()

    def placed(self, issues: Sequence[Issue]) -> tuple[Issue, ...]:
        """The issues with the line and column of what they name."""
        if not issues or self.resource is None:
            return tuple(issues)
        return located(issues, self._positions(), within=self.within)

    def _positions(self) -> Positions:
        return XmlPositions(self.body) if self.is_xml else JsonPositions(self.body.decode("utf-8-sig"))


def read_request(
    query: Sequence[tuple[str, str]], body: bytes, *, is_xml: bool, max_depth: int
) -> tuple[Asked, tuple[Issue, ...]]:
    """Read what was asked, and what the reader of XML found wrong with the resource already.

    InvalidInput if the text can't be read at all, and for parameters that can't be used.
    """
    asked = Asked(body, is_xml)
    if not body.strip():
        return _with_arguments(asked, query, b""), ()
    try:
        read = xml.parse if is_xml else parse
        tree = read(body, max_depth=max_depth + _AROUND)
    except InvalidInput as unreadable:
        if all(issue.severity is not Severity.FATAL for issue in unreadable.issues):
            return _with_arguments(asked, query, b""), unreadable.issues
        raise
    if tree.get("resourceType") != "Parameters":
        return _with_arguments(replace(asked, resource=tree), query, b""), ()
    asked, rest = _out_of(asked, tree)
    return _with_arguments(asked, query, dump(rest)), ()


def _with_arguments(asked: Asked, query: Sequence[tuple[str, str]], body: bytes) -> Asked:
    given = arguments("validate", query, body)
    mode = given.get("mode", [""])[0]
    if mode not in get_args(Mode):
        raise InvalidInput("The mode must be create, update or delete.", expression="http.mode")
    return replace(asked, mode=cast("Mode", mode), profile=given.get("profile", [""])[0])


def _out_of(asked: Asked, parameters: Tree) -> tuple[Asked, Tree]:
    """The resource taken out of a Parameters resource, and what is left of that."""
    listed = parameters.get("parameter")
    entries = listed if isinstance(listed, list) else []
    found = [
        place for place, one in enumerate(entries) if isinstance(one, dict) and one.get("name") == "resource"
    ]
    if len(found) > 1:
        raise InvalidInput("Give the parameter 'resource' once.", expression="http.resource")
    for place in found:
        resource = entries[place].get("resource")
        if not isinstance(resource, dict):
            text = "The parameter 'resource' must hold a resource."
            raise InvalidInput(Issue(text, code=IssueType.REQUIRED, place=Place(expression="http.resource")))
        asked = replace(asked, resource=resource, within=("parameter", place, "resource"))
    rest = [one for place, one in enumerate(entries) if place not in found]
    left = {name: value for name, value in parameters.items() if name != "parameter"}
    return asked, left | ({"parameter": rest} if rest or not isinstance(listed, list) else {})
