"""What one resource can be found by: its values under each search parameter of its type.

The routes of all parameters of a type are laid together into one tree of members, so that a resource is
walked once and members nobody searches for cost nothing.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache, partial
from typing import Any
from zoneinfo import ZoneInfo

from service.fhir.json import Tree
from service.fhir.references import local_target
from service.fhir.search_expressions import Filter, Route, routes
from service.fhir.search_filing import FILERS, At, Filing, file_reference
from service.fhir.search_parameters import (
    Parameter,
    code_system,
    compartment,
    parameters,
    patient_parameter,
)
from service.fhir.search_values import (
    DateKey,
    NumberKey,
    QuantityKey,
    ReferenceKey,
    SearchKeys,
    StringKey,
    TokenKey,
    UriKey,
    fold,
)
from service.fhir.withholding import WITHHOLDS, withheld_from

__all__ = [
    "DateKey",
    "NumberKey",
    "QuantityKey",
    "ReferenceKey",
    "SearchKeys",
    "StringKey",
    "TokenKey",
    "UriKey",
    "extract",
    "fold",
    "referred",
]

_UTC = ZoneInfo("UTC")
_TEAM_OF = At("CareTeam.managingOrganization", wide=False, type="Reference")
"""No published parameter finds this; it says whose patients the team's are (security/care.py)."""
Sink = Callable[[Any, int, Filing], None]
"""Files one value; the number is that of the repeating part it stands in, 0 for none."""


@dataclass(slots=True)
class _Node:
    """Where members lead. ``numbered`` ones repeat and hold values that are searched together."""

    children: "dict[str, _Node]" = field(default_factory=dict)
    filters: "dict[Filter, _Node]" = field(default_factory=dict)
    sinks: list[Sink] = field(default_factory=list)
    numbered: bool = False


@dataclass(frozen=True, slots=True)
class _Plan:
    """How a type is read: its tree, and the parameters that ask whether there is a value."""

    root: _Node
    truths: tuple[tuple[Parameter, tuple[Route, ...]], ...]


def extract(resource: Tree, *, zone: ZoneInfo = _UTC, base: str = "") -> SearchKeys:
    """Answer the keys of a valid resource of a stored type.

    Dates without offset are read in ``zone``; references below ``base`` are kept as ``Type/id``.
    """
    type_ = resource["resourceType"]
    plan = _plan(type_)
    filing = Filing(zone, base)
    _walk(plan.root, resource, 0, filing)
    for parameter, ways in plan.truths:
        true = any(resource.get(str(way.steps[0])) not in {None, False} for way in ways)
        filing.tokens[TokenKey(parameter.indexes[0], "", str(true).lower(), parameter.wide)] = None
    if type_ == "Consent" and (use := withheld_from(resource)):
        filing.tokens |= dict.fromkeys(TokenKey(WITHHOLDS, "", use, wide) for wide in (False, True))
    for organization in resource.get("managingOrganization", ()) if type_ == "CareTeam" else ():
        file_reference(_TEAM_OF, organization, 0, filing)
    patient = resource.get("id", "") if type_ == "Patient" else _patient(type_, filing)
    return SearchKeys(
        patient,
        tuple(filing.tokens),
        tuple(filing.references),
        tuple(filing.dates),
        tuple(filing.strings),
        tuple(filing.numbers),
        tuple(filing.quantities),
        tuple(filing.uris),
    )


def referred(resource: Tree, parameter: Parameter, *, base: str = "") -> tuple[str, ...]:
    """Answer what a resource refers to under a reference parameter: ``Type/id``, or addresses elsewhere."""
    filing = Filing(_UTC, base)
    for route in routes(resource["resourceType"], parameter.expression):
        node = _Node()
        _lay(node, route.steps, partial(file_reference, At(parameter.name, parameter.wide, route.type)))
        _walk(node, resource, 0, filing)
    found = tuple(dict.fromkeys(key.target for key in filing.references))
    return tuple(one for one in found if "|" not in one)


def _walk(node: _Node, value: Any, part: int, filing: Filing) -> None:
    for sink in node.sinks:
        sink(value, part, filing)
    for test, after in node.filters.items():
        if test.keeps(value):
            _walk(after, value, part, filing)
    children = node.children
    if not children or type(value) is not dict:
        return
    for name, inner in value.items():
        child = children.get(name)
        if child is None or inner is None:
            continue
        if type(inner) is list:
            for place, one in enumerate(inner, 1):
                if one is not None:
                    _walk(child, one, place if child.numbered else part, filing)
        else:
            _walk(child, inner, part, filing)


@cache
def _plan(type_: str) -> _Plan:
    root = _Node()
    truths: list[tuple[Parameter, tuple[Route, ...]]] = []
    for parameter in parameters(type_).values():
        ways = routes(type_, parameter.expression)
        if parameter.kind == "composite":
            for way in ways:
                _lay(root, way.steps, None)
        elif ways[0].truth:
            truths.append((parameter, ways))
        elif parameter.filed and parameter.kind not in {"id", "updated"}:
            for way in ways:
                if (sink := _sink(parameter, way)) is not None:
                    _lay(root, way.steps, sink)
    return _Plan(root, tuple(truths))


def _lay(root: _Node, steps: tuple[str | Filter, ...], sink: Sink | None) -> None:
    """Put a way into the tree; without a sink its end is a part whose values are searched together."""
    node = root
    for step in steps:
        if isinstance(step, Filter):
            node = node.filters.setdefault(step, _Node())
        else:
            node = node.children.setdefault(step, _Node())
    if sink is None:
        node.numbered = bool(steps)
    else:
        node.sinks.append(sink)


def _sink(parameter: Parameter, way: Route) -> Sink | None:
    filer = FILERS.get((parameter.kind, way.type)) or FILERS.get((parameter.kind, ""))
    if filer is None:  # an age or a free text among dates: nothing to compare
        return None
    kind = code_system(way.path) if parameter.kind == "token" and way.type == "code" else way.type
    return partial(filer, At(parameter.indexes[0], parameter.wide, kind))


def _patient(type_: str, filing: Filing) -> str:
    """The id of the one Patient this is about; empty for none, and where several are concerned.

    It must be named by the parameter that says whose it is, and no other way into a patient compartment (a
    performer …) may name somebody else.
    """
    own = patient_parameter(type_)
    if own is None:
        return ""
    ways = {index for parameter in compartment("Patient")[type_] for index in parameter.indexes}
    patients = [key for key in filing.references if key.target.startswith("Patient/") and key.name in ways]
    named = {key.target for key in patients}
    if len(named) != 1 or not any(key.name in own.indexes for key in patients):
        return ""
    return local_target(named.pop()).removeprefix("Patient/")
