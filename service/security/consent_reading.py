"""From a Consent resource to its rules (FHIR R4 consent.html).

"The Consent resource is structured with a base policy which is either opt-in or opt-out, followed by a
listing of exceptions to that policy" (6.2.3). So the outermost provision is an exception to ``policyRule``,
as its definition says; a ``type`` it bears is taken at its word, although R4 wants none there. Without a
policyRule that is opt-in or opt-out the base is the opposite of what the outermost rules say, if they agree.

What can't be judged here (a code in the content, the class of a document, who made the data) leaves a rule
in doubt, and whoever asks has to count with either answer.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

from service.fhir.datetimes import EARLIEST, LATEST, interval
from service.fhir.json import Tree
from service.fhir.references import local_target
from service.security.consent_rules import EVER, NOT_TOLD, PERMITS, REFUSES, Doubt, Rule, Rules

__all__ = ["read_consent"]

_SCOPE = "http://terminology.hl7.org/CodeSystem/consentscope"
_ACTION = "http://terminology.hl7.org/CodeSystem/consentaction"
_ACT_CODE = "http://terminology.hl7.org/CodeSystem/v3-ActCode"
_PARTICIPATION = "http://terminology.hl7.org/CodeSystem/v3-ParticipationType"
_TYPES = "http://hl7.org/fhir/resource-types"
_BASES = {"OPTIN": PERMITS, "OPTINR": PERMITS, "OPTOUT": REFUSES, "OPTOUTE": REFUSES}
_EFFECTS = {"permit": PERMITS, "deny": REFUSES}
_OF_THE_DATA = frozenset({"AUT", "AUTHEN", "CST", "ENT", "INF", "LA", "TRANS", "VRF", "WIT"})
"""Roles in making and keeping the data; every other actor is who asks for it."""
_OTHER_SCOPES = frozenset({"adr", "treatment"})
_RESEARCH_CODES = frozenset({"de-identified research", "research", "rsdid"})
"""Kinds of research that an export of ours is: the visit record's default, and HL7 consent categories."""
_OUTERMOST = "Consent.provision"
_UTC = ZoneInfo("UTC")
_UNKNOWN_EXTENSION = "An extension that changes its meaning is not known here."


def read_consent(tree: Tree, zone: ZoneInfo = _UTC) -> Rules:
    """Read a Consent; dates are days of ``zone``. One that is not active, or about no data, says nothing.

    One about research that is no longer active has been withdrawn, and refuses.
    """
    scopes, status = _scopes(tree), tree.get("status")
    research = scopes == {"research"}
    withdrawn = research and status == "inactive"
    if (status != "active" and not withdrawn) or (scopes and scopes <= _OTHER_SCOPES):
        return Rules()
    made = Rules(
        patient=local_target(tree.get("patient", {}).get("reference", "")),
        research=research,
        day=tree.get("dateTime", "")[:10],
    )
    if withdrawn:
        return replace(made, base=REFUSES)
    if "modifierExtension" in tree:
        doubts = (("Consent.modifierExtension", _UNKNOWN_EXTENSION),)
        return replace(made, base=NOT_TOLD, base_doubts=doubts)
    base, outer, base_doubts = _base_and_rules(tree, _Reader(zone, research))
    return replace(made, base=base, outer=outer, base_doubts=base_doubts)


def _scopes(tree: Tree) -> frozenset[str]:
    """The areas it covers, by R4's codes: adr, research, patient-privacy, treatment."""
    codings = tree.get("scope", {}).get("coding", ())
    return frozenset(one.get("code", "") for one in codings if one.get("system") == _SCOPE)


def _base_and_rules(
    tree: Tree, reader: "_Reader"
) -> tuple[frozenset[bool], tuple[Rule, ...], tuple[Doubt, ...]]:
    told = _told_base(tree)
    root = tree.get("provision", {})
    rule = reader.rule(root, _OUTERMOST, untyped=_opposite(told))
    outer = rule.exceptions if rule.always and "type" not in root else (rule,)
    if told or not outer:
        return told, outer, ()
    base = _opposite(frozenset().union(*(one.effect for one in outer)))
    sentence = "Its policy does not say whether it permits or refuses where none of its rules holds."
    return base, outer, ((_OUTERMOST, sentence),) if base == NOT_TOLD else ()


def _told_base(tree: Tree) -> frozenset[bool]:
    """What the policy rule says; empty if it is neither opt-in nor opt-out."""
    codings = tree.get("policyRule", {}).get("coding", ())
    told = (_BASES.get(one.get("code", ""), frozenset()) for one in codings if one.get("system") == _ACT_CODE)
    return frozenset().union(*told)


def _opposite(effect: frozenset[bool]) -> frozenset[bool]:
    return frozenset(not one for one in effect) or NOT_TOLD


@dataclass(frozen=True, slots=True)
class _Reader:
    """Reads provisions: days are those of ``zone``; ``research`` is whether they are about research alone."""

    zone: ZoneInfo
    research: bool

    def rule(self, node: Tree, path: str, untyped: frozenset[bool] = NOT_TOLD) -> Rule:
        """Read a provision at ``path``; ``untyped`` is what it says if it bears no type."""
        effect = _EFFECTS.get(node.get("type", ""), untyped)
        nested = enumerate(node.get("provision", ()))
        return Rule(
            effect=effect,
            span=_span(node, self.zone),
            actors=_actors(node),
            actions=_actions(node),
            labels=_coded(node.get("securityLabel", ())),
            purposes=_coded(node.get("purpose", ())),
            types=_types(node),
            doubts=tuple(self._doubts(node, path)),
            exceptions=tuple(self.rule(one, f"{path}.provision[{place}]") for place, one in nested),
        )

    def _doubts(self, node: Tree, path: str) -> Iterator[Doubt]:
        if path != _OUTERMOST and node.get("type") not in _EFFECTS:
            yield path, "It does not say whether it permits or refuses."
        if "modifierExtension" in node:
            yield f"{path}.modifierExtension", _UNKNOWN_EXTENSION
        yield from _actor_doubts(node, path)
        for place, one in enumerate(node.get("class", ())):
            if one.get("system") != _TYPES:
                yield f"{path}.class[{place}]", "Resources are told apart by their type alone."
        for place, code in enumerate(node.get("code", ())):
            if not (self.research and _RESEARCH_CODES & _words(code)):
                yield f"{path}.code[{place}]", "Resources are not told apart by codes in their content."
        if "dataPeriod" in node:
            yield f"{path}.dataPeriod", "Resources are not told apart by the time they are about."
        if "data" in node:
            yield f"{path}.data", "Single resources are not told apart, only their types."


def _words(code: Tree) -> frozenset[str]:
    return frozenset({code.get("text", ""), *(one.get("code", "") for one in code.get("coding", ()))})


def _span(node: Tree, zone: ZoneInfo) -> tuple[int, int]:
    """When the rule holds; always, if its period is none."""
    period = node.get("period", {})
    try:
        low = interval(period["start"], zone)[0] if "start" in period else EARLIEST
        high = interval(period["end"], zone)[1] if "end" in period else LATEST
    except ValueError:
        return EVER
    return low, high


def _actors(node: Tree) -> frozenset[str]:
    """Who asks; empty, for everybody, if one of them can't be told."""
    asking = [_target(one) for one in node.get("actor", ()) if not _of_the_data(one)]
    return frozenset(asking) if all(map(_can_be_told, asking)) else frozenset()


def _actor_doubts(node: Tree, path: str) -> Iterator[Doubt]:
    for place, actor in enumerate(node.get("actor", ())):
        if _of_the_data(actor):
            yield f"{path}.actor[{place}].role", "Who made or keeps the data is not looked at."
        elif not _can_be_told(_target(actor)):
            sentence = "Who this is can't be told: it is no person, role, team or organization on file here."
            yield f"{path}.actor[{place}].reference", sentence


def _target(actor: Tree) -> str:
    return local_target(actor.get("reference", {}).get("reference", ""))


def _can_be_told(target: str) -> bool:
    return bool(target) and not target.startswith("Group/")


def _of_the_data(actor: Tree) -> bool:
    codings = actor.get("role", {}).get("coding", ())
    return any(one.get("system") == _PARTICIPATION and one.get("code") in _OF_THE_DATA for one in codings)


def _types(node: Tree) -> frozenset[str]:
    """The types a rule is about: those of the single resources it names, else its classes; empty if any."""
    data = [(one.get("meaning"), _target(one)) for one in node.get("data", ())]
    if data and all(meaning == "instance" and target for meaning, target in data):
        return frozenset(target.partition("/")[0] for _, target in data)
    classes = node.get("class", ())
    if any(one.get("system") != _TYPES for one in classes):
        return frozenset()
    return frozenset(one.get("code", "") for one in classes)


def _actions(node: Tree) -> frozenset[str]:
    """Codes of the actions; an empty text for one that is none of consentaction."""
    codings = [coding for concept in node.get("action", ()) for coding in concept.get("coding", ({},))]
    return frozenset(one.get("code", "") if one.get("system") == _ACTION else "" for one in codings)


def _coded(codings: list[Tree]) -> frozenset[tuple[str, str]]:
    return frozenset((one.get("system", ""), one.get("code", "")) for one in codings)
