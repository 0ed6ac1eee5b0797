"""The invariants of a profile, in FHIRPath (elementdefinition.html, constraint)."""

from collections.abc import Iterator, Sequence

from service.errors import IssueType, Severity
from service.fhir.fhirpath import Expression, compiled
from service.fhir.json import Tree
from service.fhir.validation.fault import Fault
from service.fhir.validation.profiles.items import Item
from service.fhir.validation.profiles.nodes import Node
from service.fhir.validation.profiles.rule import Check, Rule
from service.fhir.validation.profiles.scope import Scope

__all__ = ["constraints"]

# Published with an expression that says less than its sentence: a Period has no text to measure.
_AS_MEANT = {
    "($this as dateTime).toString().length() >= 8": "$this is dateTime implies toString().length() >= 8"
}


def constraints(rule: Rule, node: Node, against: Node) -> Iterator[Check]:
    """Answer the checks of the invariants that a profile adds to an element."""
    known = {one.get("key") for one in against.element.get("constraint", ())}
    for one in node.element.get("constraint", ()):
        if one.get("key") not in known and "expression" in one:
            yield _constraint(rule, one)


def _constraint(rule: Rule, constraint: Tree) -> Check:
    key, human = constraint.get("key", ""), str(constraint.get("human", "A rule is broken.")).rstrip(".")
    severity = Severity.WARNING if constraint.get("severity") == "warning" else Severity.ERROR
    text = _AS_MEANT.get(constraint["expression"], constraint["expression"])
    try:
        expression = compiled(f"select({text})")
    except ValueError as why:
        unreadable = str(why)
        return lambda item, _: (_undecided(rule, item, key, unreadable),)

    def check(item: Item, scope: Scope) -> Sequence[Fault]:
        if item.value is None:
            return ()
        try:
            holds = _holds(expression, item, scope)
        except ValueError as why:
            return (_undecided(rule, item, key, str(why)),)
        if holds:
            return ()
        return (rule.fault(item.path, f"{human}.", IssueType.INVARIANT, key=key, severity=severity),)

    return check


def _holds(expression: Expression, item: Item, scope: Scope) -> bool:
    variables = {"resource": scope.resource, "rootResource": scope.root}
    answer = expression.at(item.value, item.type, item.extra, variables=variables, resolve=scope.resolve)
    return bool(answer) and answer != [False]


def _undecided(rule: Rule, item: Item, key: str, why: str) -> Fault:
    text = f"The rule {key} can't be tried here: {why}."
    return rule.fault(item.path, text, IssueType.NOT_SUPPORTED, key=key, severity=Severity.INFORMATION)
