"""Where an extension may stand: what definitions call the place, and when (structuredefinition.html).

The same for R4's own extensions, ours, and those of guides.
"""

from collections.abc import Iterable, Iterator
from functools import cache
from typing import Any

from service.errors import IssueType
from service.fhir.elements import elements, lineage
from service.fhir.fhirpath import compiled
from service.fhir.json import Tree
from service.fhir.validation.fault import Fault

__all__ = ["broken_rules", "names_of", "own_path"]

_NOT_NOW = "This extension may only be used where this is true of what it stands in: {}."


@cache
def names_of(path: str, type_: str) -> frozenset[str]:
    """What a definition may call an element, by its path (``Patient.birthDate``) and type."""
    names = {path, "Element", *lineage(type_)}
    owner, _, name = path.rpartition(".")
    element = elements(owner).get(name)
    if element and element.choice:
        names |= {f"{owner}.{element.choice}", f"{owner}.{element.choice}[x]"}
    return frozenset(names)


@cache
def own_path(place: str) -> str:
    """The path by which a part knows itself: ``Questionnaire.item`` for ``Questionnaire.item.item``."""
    at, *names = place.split(".")
    for name in names[:-1]:
        element = elements(at).get(name)
        if element is None:
            return place
        at = element.type
    if not names:
        return at
    last = elements(at).get(names[-1])
    return last.type if last and "." in last.type else f"{at}.{names[-1]}"


def broken_rules(rules: Iterable[str], holder: Any, type_: str, extension: Tree, url: str) -> Iterator[Fault]:
    """Answer what does not hold of the rules (contextInvariant) of an extension; all have to be true.

    ``holder`` is what it stands in. A rule that can't be tried tells nothing.
    """
    for rule in rules:
        try:
            said = compiled(rule).at(holder, type_, variables={"extension": extension})
        except ValueError:
            continue
        if said != [True]:
            yield Fault("", _NOT_NOW.format(rule), IssueType.INVARIANT, url)
