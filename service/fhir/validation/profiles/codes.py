"""Which codes a profile allows: its bindings (terminologies.html, strengths)."""

from collections.abc import Callable, Iterator, Sequence

from service.errors import IssueType, Severity
from service.fhir.json import Tree
from service.fhir.three_valued import Holds, any_of
from service.fhir.validation.fault import Fault
from service.fhir.validation.profiles.items import Item
from service.fhir.validation.profiles.nodes import Node
from service.fhir.validation.profiles.rule import Check, Rule
from service.fhir.validation.profiles.scope import Scope

__all__ = ["MemberOf", "binding_checks", "coded", "widest"]

MemberOf = Callable[[str, str, str], Holds]
"""Whether a value set (canonical) has a code of a system; None if that can't be told here."""

_WIDEST = "http://hl7.org/fhir/StructureDefinition/elementdefinition-maxValueSet"


def binding_checks(rule: Rule, node: Node, against: Node, member: MemberOf) -> Iterator[Check]:
    """Answer the checks of the value set an element is bound to, and of the widest one allowed."""
    binding, before = node.element.get("binding", {}), against.element.get("binding", {})
    strength, value_set = _strength(binding), binding.get("valueSet", "")
    if (strength, _plain(value_set)) == (_strength(before), _plain(before.get("valueSet", ""))):
        strength = ""
    if value_set and strength == "required":
        yield _bound(rule, value_set, member, Severity.ERROR)
    elif value_set and strength == "extensible":
        yield _bound(rule, value_set, member, Severity.WARNING)
    most = widest(binding)
    if most and most != widest(before):
        yield _bound(rule, most, member, Severity.ERROR, text_is_enough=True)


def _strength(binding: Tree) -> str:
    return str(binding.get("strength", ""))


def _plain(canonical: str) -> str:
    return canonical.partition("|")[0]


def widest(binding: Tree) -> str:
    """The value set no code may leave, empty if there is none."""
    told = (one for one in binding.get("extension", ()) if one.get("url") == _WIDEST)
    return next((str(one.get("valueCanonical") or one.get("valueUri") or "") for one in told), "")


def coded(item: Item, value_set: str, member: MemberOf) -> Holds:
    """Whether one of the codes of a value is in a value set; None if that can't be told here."""
    return any_of(member(value_set, system, code) for system, code in _codes(item))


def _bound(
    rule: Rule, value_set: str, member: MemberOf, severity: Severity, *, text_is_enough: bool = False
) -> Check:
    required = severity == Severity.ERROR
    asked = "has to" if required else "should"
    needs_code = required and not text_is_enough

    def check(item: Item, _: Scope) -> Sequence[Fault]:
        if _says_nothing(item, needs_code=needs_code) or coded(item, value_set, member) is not False:
            return ()
        text = f"The code {asked} be one of the value set {value_set}."
        return (rule.fault(item.path, text, IssueType.CODE_INVALID, severity=severity),)

    return check


def _says_nothing(item: Item, *, needs_code: bool) -> bool:
    """Whether there is no code to judge: extensions only, or text where the binding leaves room for it."""
    value = item.value
    if isinstance(value, dict) and item.type == "CodeableConcept":
        return "coding" not in value and ("text" not in value or not needs_code)
    if isinstance(value, dict):
        return "code" not in value and ("extension" in value or item.type == "Quantity")
    return value is None


def _codes(item: Item) -> Iterator[tuple[str, str]]:
    value = item.value
    if isinstance(value, str):
        yield "", value
    codings = value.get("coding", [value]) if isinstance(value, dict) else []
    for one in codings if isinstance(codings, list) else ():
        if isinstance(one, dict) and isinstance(one.get("code"), str):
            yield str(one.get("system", "")), one["code"]
