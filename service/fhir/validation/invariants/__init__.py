"""The invariants of the R4 base types, each as a function of JSON trees.

    for rule in invariants("Observation.component"):
        rule.holds(node, resource, root)

``node`` is what stands at the path as ``service.fhir.json`` reads it: an object, which may be faulty inside,
or a primitive's value; where an object belongs and none is, there is nothing to ask.
``resource`` is the nearest resource around it (FHIRPath ``%resource``): of a resource itself that resource,
of something in a contained resource the contained one. ``root`` is the resource that one is contained in,
else the same (``%rootResource``). An entry of a Bundle is a root of its own.

``invariants(path)`` takes a type (``Quantity``), a part (``Timing.repeat``; where an element refers to
another part by contentReference, that part), or an element that has rules besides those of its type
(``Organization.address``, ``Range.low``, ``Dosage.doseAndRate.doseQuantity``): a caller asks for the type of
an element and for the element. ``ele-1`` and ``ext-1`` come with the types. ``txt-1`` and ``txt-2``, the form
of a narrative, are not here.

A rule holds when its published expression is true; false and nothing both break it. Where the expression is
known to say something else than the rule (R5 corrected most of these), the rule is followed: the tests list
them. A value of a wrong kind, which the structure tells, breaks nothing here and is never raised about.
"""

import json
import lzma
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

from service.errors import Severity
from service.fhir.json import Tree
from service.fhir.validation.invariants import (
    bundles,
    clinical,
    containment,
    datatypes,
    definitions,
    element_definitions,
    questionnaires,
    structures,
    test_scripts,
)
from service.fhir.validation.invariants.conditions import Rule

__all__ = ["Invariant", "invariants"]

_FILE = Path(__file__).parents[2] / "definitions" / "invariants.json.xz"
_NARRATIVE = frozenset({"txt-1", "txt-2"})
_RULES: dict[str, Rule] = {
    **bundles.RULES,
    **clinical.RULES,
    **containment.RULES,
    **datatypes.RULES,
    **definitions.RULES,
    **element_definitions.RULES,
    **questionnaires.RULES,
    **structures.RULES,
    **test_scripts.RULES,
}


class Invariant(NamedTuple):
    """A rule: its key (``obs-6``), how bad a breach is, the standard's sentence, and whether it holds."""

    key: str
    severity: Severity
    human: str
    holds: Callable[[Any, Tree, Tree], bool]


@cache
def invariants(path: str) -> tuple[Invariant, ...]:
    """Answer the rules of a type, part or element; empty where there are none."""
    tables = _tables()
    names = [name for name in tables["at"].get(path, ()) if name not in _NARRATIVE]
    return tuple(_invariant(name, path, *tables["rules"][name][:2]) for name in names)


def _invariant(name: str, path: str, severity: str, human: str) -> Invariant:
    return Invariant(name.partition(" ")[0], Severity(severity), human, _RULES[name](path))


@cache
def _tables() -> dict[str, Any]:
    tables: dict[str, Any] = json.loads(lzma.decompress(_FILE.read_bytes()))
    return tables
