"""What the references of a profile may lead to, and the profiles it names for values."""

from collections.abc import Callable, Iterator, Sequence

from service.errors import IssueType, Severity
from service.fhir.elements import ANY_RESOURCE
from service.fhir.validation.fault import Fault
from service.fhir.validation.profiles.items import Item, whole
from service.fhir.validation.profiles.nodes import Node
from service.fhir.validation.profiles.rule import Check, Rule, added
from service.fhir.validation.profiles.scope import Scope
from service.fhir.validation.targets import type_in

__all__ = ["CheckerOf", "Named", "conforms", "named_type", "profile_checks", "target_check"]


class Named:
    """A profile that another one names; known or not."""

    def __init__(self, url: str, type_: str, check: Check | None) -> None:
        """``type_`` is the type it constrains, empty if it is not known; then ``check`` is None."""
        self.url = url
        self.type = type_
        self.check = check


CheckerOf = Callable[[str], Named]


def conforms(named: Named, item: Item, scope: Scope) -> bool | None:
    """Whether a value conforms to a profile; None if the profile is not known here."""
    if named.check is None:
        return None
    return not any(fault.severity == Severity.ERROR for fault in named.check(item, scope))


def named_type(item: Item, scope: Scope) -> str:
    """The type of the resource a Reference leads to; empty if it does not tell and is not at hand."""
    value = item.value if isinstance(item.value, dict) else {}
    found = scope.resolve(value.get("reference"))
    if found is not None:
        return str(found.get("resourceType", ""))
    reference = value.get("reference")
    named = type_in(reference) if isinstance(reference, str) else ""
    return named or str(value.get("type", "")).rpartition("/")[2]


def target_check(rule: Rule, node: Node, against: Node, checker_of: CheckerOf) -> Iterator[Check]:
    """Answer the check of where references lead, if the profile narrows it."""
    targets = _targets(node)
    if targets and targets != _targets(against):
        yield _target(rule, [checker_of(target) for target in targets])


def profile_checks(rule: Rule, node: Node, against: Node, checker_of: CheckerOf) -> Iterator[Check]:
    """Answer the checks of the profiles that the types of an element name."""
    if added(node, against, "type") is None:
        return
    before = {type_.get("code"): type_.get("profile") for type_ in against.element.get("type", ())}
    for type_ in node.element.get("type", ()):
        profiles = type_.get("profile", ())
        if profiles and profiles != before.get(type_.get("code")):
            yield _profiled(rule, type_["code"], [checker_of(profile) for profile in profiles])


def _targets(node: Node) -> list[str]:
    types = [type_ for type_ in node.element.get("type", ()) if type_.get("code") == "Reference"]
    return [target for type_ in types for target in type_.get("targetProfile", ())]


def _target(rule: Rule, allowed: Sequence[Named]) -> Check:
    types = {named.type for named in allowed}
    names = ", ".join(sorted(types - {""}))
    if "" in types or "Resource" in types:
        types = set()

    def check(item: Item, scope: Scope) -> Sequence[Fault]:
        type_ = named_type(item, scope) if item.type == "Reference" else ""
        if not type_:
            return ()
        if types and type_ not in types:
            text = f"The reference has to lead to {names}, not to {type_}."
            return (rule.fault(item.path, text, IssueType.STRUCTURE),)
        return _conforming(rule, item, scope, [named for named in allowed if named.type == type_])

    return check


def _conforming(rule: Rule, item: Item, scope: Scope, profiles: Sequence[Named]) -> Sequence[Fault]:
    """A target at hand is held against the profiles; else its type is all there is to look at."""
    found = scope.resolve(item.value.get("reference"))
    if found is None or not profiles:
        return ()
    said = [conforms(named, whole(found), scope) for named in profiles]
    if any(one is not False for one in said):
        return ()
    text = f"What the reference leads to does not conform to {' or '.join(named.url for named in profiles)}."
    return (rule.fault(item.path, text, IssueType.VALUE),)


def _profiled(rule: Rule, code: str, profiles: Sequence[Named]) -> Check:
    known = [named for named in profiles if named.check is not None]
    names = " or ".join(named.url for named in profiles)

    def check(item: Item, scope: Scope) -> Sequence[Fault]:
        if item.type != code and code not in ANY_RESOURCE:
            return ()
        if not known:
            text = f"{names} is not known here; what it says was not checked."
            return (rule.fault(item.path, text, IssueType.NOT_FOUND, severity=Severity.INFORMATION),)
        if len(profiles) == 1 and known[0].check is not None:
            return known[0].check(item, scope)
        if len(known) < len(profiles) or any(conforms(named, item, scope) for named in known):
            return ()
        return (rule.fault(item.path, f"The value does not conform to {names}.", IssueType.VALUE),)

    return check
