"""A de-identification policy: an allow-list per resource type and element path, compiled once.

The policy is data. What it does not list does not leave: contained resources, narrative, free text,
identifiers, extensions of unknown URL and every primitive extension. A resource is refused as a whole if what
is lost would change what it says: a modifier extension, implicit rules, an element the policy requires, an
element that was there and carries the meaning (a Condition's verification status).

Shape of the document (names of rules: ``_named_rules``):

    {"policy", "version", "labels": [Coding], "carried_labels": [Coding],
     "code_systems": {system: {code: label}}, "condition_groups": {system: {code: label}},
     "rolled_up": {system: pattern}, "units": {code: text}, "numbers": {"largest", "digits"},
     "places": {"states", "home", "countries"}, "roles": {type: role},
     "extension_urls": {"age_class", "role", "data_absent_reason"},
     "extensions": {url: {value element: rule} | {"extension": {url: …}}},
     "resources": {type: {"required": [path], "meaning": [element],
                          "elements": {path: rule | [allowed words]}}}}
"""

from collections.abc import Collection, Mapping
from enum import StrEnum
from typing import Any

from service.deidentify import rules
from service.deidentify.dates import OLDEST_CLASS, age_on
from service.deidentify.rules import Release, Tree, Value, Vocabulary
from service.deidentify.walk import ModifierLostError, Special, Writer, compile_elements, element, extensions

__all__ = ["Deidentifier", "Refusal"]

Rules = Mapping[str, Value]


class Refusal(StrEnum):
    """Why a whole resource is not let out."""

    TYPE = "this type of resource is not in the policy"
    RULES = "it follows implicit rules that would be lost"
    MODIFIER = "a modifier extension would be lost"
    REQUIRED = "an element it can't do without may not be shown"
    MEANING = "an element that changes its meaning may not be shown"


class Deidentifier:
    """A compiled policy. Calling it with a stored resource answers what may leave, or why nothing may."""

    def __init__(
        self, policy: Mapping[str, Any], *, vocabulary: Vocabulary, restricted_zip3: Collection[str]
    ) -> None:
        """Compile ``policy``; codes of ``vocabulary`` may leave besides the policy's own.

        Raises ValueError for a rule that does not exist.
        """
        self.name: str = policy["policy"]
        self.version: str = policy["version"]
        self.labels: list[Tree] = policy["labels"]
        self._carried: list[Tree] = policy["carried_labels"]
        named = _named_rules(policy, vocabulary, restricted_zip3)
        special = _special(policy, named)
        self._types = {
            type_: compile_elements(listed["elements"], listed.get("required", ()), named, special)
            for type_, listed in policy["resources"].items()
        }
        self._meaning = {type_: listed.get("meaning", ()) for type_, listed in policy["resources"].items()}

    @property
    def types(self) -> tuple[str, ...]:
        """Resource types the policy lets out, in its order."""
        return tuple(self._types)

    def __call__(self, resource: Mapping[str, Any], release: Release) -> Tree | Refusal:
        """De-identify one stored resource; ``resource`` stays as it is."""
        type_ = resource["resourceType"]
        walk = self._types.get(type_)
        if walk is None:
            return Refusal.TYPE
        if "implicitRules" in resource:
            return Refusal.RULES
        try:
            kept = walk(resource, release)
        except ModifierLostError:
            return Refusal.MODIFIER
        id_ = release.identify(f"{type_}/{resource['id']}")
        if kept is None or id_ is None:
            return Refusal.REQUIRED
        if any(name in resource and name not in kept for name in self._meaning[type_]):
            return Refusal.MEANING
        return {"resourceType": type_, "id": id_, "meta": {"security": self._security(resource)}, **kept}

    def _security(self, resource: Mapping[str, Any]) -> list[Tree]:
        found = resource.get("meta", {}).get("security", [])
        return self.labels + [
            label
            for label in self._carried
            if any(
                label["system"] == item.get("system") and label["code"] == item.get("code") for item in found
            )
        ]


def _named_rules(
    policy: Mapping[str, Any], vocabulary: Vocabulary, restricted_zip3: Collection[str]
) -> Rules:
    codes = {system: dict(known) for system, known in vocabulary.items()}
    for system, known in policy["code_systems"].items():
        codes[system] = codes.get(system, {}) | known
    coding = rules.coding(codes, policy["rolled_up"])
    concept = rules.concept(coding)
    number = rules.number(policy["numbers"]["largest"], policy["numbers"]["digits"])
    return {
        "boolean": rules.boolean,
        "number": number,
        "year": rules.year_only,
        "coding": coding,
        "concept": concept,
        "concept or masked": rules.masked(policy["extension_urls"]["data_absent_reason"], concept),
        "condition": rules.concept(rules.coding(policy["condition_groups"], policy["rolled_up"])),
        "quantity": rules.quantity(number, policy["units"]),
        "reference": rules.reference,
        "address": rules.address(**policy["places"], restricted=restricted_zip3),
    }


def _special(policy: Mapping[str, Any], named: Rules) -> Special:
    urls = policy["extension_urls"]
    known = extensions(policy["extensions"], named)
    absent = element("dataAbsentReason", named["concept"])
    return {
        "extension": lambda _: known,
        "birth year": lambda name: _birth_year(name, urls["age_class"]),
        "deceased": lambda _: _deceased,
        "role": lambda _: _role(policy["roles"], urls["role"]),
        "absent reason": lambda _: absent,
    }


def _birth_year(name: str, age_class_url: str) -> Writer:
    def write(kept: Tree, value: Any, release: Release) -> None:
        found = rules.year_only(value, release)
        age = age_on(release.day, value) if isinstance(value, str) else None
        if found is not None:
            kept[name] = found
        elif age is not None:
            oldest = {"url": age_class_url, "valueString": OLDEST_CLASS}
            kept.setdefault("extension", []).append(oldest)

    return write


def _deceased(kept: Tree, value: Any, _: Release) -> None:
    """Say that the person died, not when: a time of death is read as true."""
    kept["deceasedBoolean"] = value if isinstance(value, bool) else True


def _role(roles: Mapping[str, str], url: str) -> Writer:
    """Say in what role somebody acted, not who it was."""

    def write(kept: Tree, value: Any, _: Release) -> None:
        for item in value if isinstance(value, list) else [value]:
            role = roles.get(rules.referenced_type(item))
            said = {"url": url, "valueCode": role}
            if role is not None and said not in kept.get("extension", ()):
                kept.setdefault("extension", []).append(said)

    return write
