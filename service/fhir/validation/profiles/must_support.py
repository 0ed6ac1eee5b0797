"""Which elements a profile wants supported and a resource does not have (profiling.html, mustSupport).

That is no fault: what support means is for each guide to say. So it is only told when somebody asks.
"""

from collections.abc import Iterator

from service.errors import IssueType, Severity
from service.fhir.json import Tree
from service.fhir.validation.fault import Fault
from service.fhir.validation.profiles.definitions import Definitions
from service.fhir.validation.profiles.items import Item, gatherer, whole
from service.fhir.validation.profiles.nodes import Node
from service.fhir.validation.profiles.rule import Rule

__all__ = ["absent_must_support"]


def absent_must_support(resource: Tree, profile: str, definitions: Definitions) -> list[Fault]:
    """Answer, as information, each element to be supported that is absent where it could stand.

    Slices are not looked at. DefinitionFault if the profile is not known or can't be used.
    """
    definition = definitions.structure(profile) or {}
    title = str(definition.get("title") or definition.get("name") or profile)
    return list(_absent(definitions.tree(profile), whole(resource), Rule(title, profile, "")))


def _absent(node: Node, parent: Item, rule: Rule) -> Iterator[Fault]:
    for child in (node.children or {}).values():
        given = gatherer(child)(parent)
        name = child.name.removesuffix("[x]")
        if child.element.get("mustSupport") and not given:
            yield rule.fault(
                f"{parent.path}.{name}",
                f"{name} is to be supported; it is not given here.",
                IssueType.INFORMATIONAL,
                key=child.path,
                severity=Severity.INFORMATION,
            )
        for item in given:
            yield from _absent(child, item, rule)
