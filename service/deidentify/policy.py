"""A de-identification policy: an allow-list per resource type and element path, compiled once.

The policy is data. What it does not list does not leave: contained resources, narrative, free text,
identifiers, extensions of unknown URL and every primitive extension. A resource is refused as a whole if what
is lost would change what it says: a modifier extension, implicit rules, an element the policy requires, an
element that was there and carries the meaning (a Condition's verification status).

Shape of the document, which is a policy (dates, places, codes, labels) and an allow-list that policies share
(names of rules: ``_named_rules`` and ``_special``):

    {"policy", "version", "dates": kind (date_rules), "places_shown": "zip3" | "town",
     "rolled_up": {system: pattern}, "rater_codes": bool,
     "labels": [Coding], "carried_labels": [Coding], "withheld_labels": [Coding],
     "code_systems": {system: {code: label}}, "condition_groups": {system: {code: label}},
     "units": {code: text}, "numbers": {"largest", "digits"},
     "places": {"states", "home", "countries"}, "roles": {type: role}, "profiles": canonical,
     "extension_urls": {"age_class", "role", "rater", "days", "first_visit", "region", "data_absent_reason"},
     "extensions": {url: {value element: rule} | {"extension": {url: …}}},
     "resources": {type: {"required": [path], "meaning": [element],
                          "elements": {path: rule | [allowed words]}}}}
"""

from collections.abc import Callable, Collection, Iterator, Mapping
from collections.abc import Set as AbstractSet
from enum import StrEnum
from typing import Any

from service.deidentify import rules, special
from service.deidentify.date_rules import birth_date, date_writer
from service.deidentify.rules import Release, Tree, Value, Vocabulary
from service.deidentify.walk import ModifierLostError, Special, compile_elements, element, extensions

__all__ = ["Deidentifier", "Refusal"]

Rules = Mapping[str, Value]


class Refusal(StrEnum):
    """Why a whole resource is not let out."""

    TYPE = "this type of resource is not in the policy"
    LABEL = "its label keeps it from research"
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
        self._withheld = frozenset((one["system"], one["code"]) for one in policy["withheld_labels"])
        self._profiles: str = policy["profiles"]
        self._first_visit = policy["extension_urls"]["first_visit"] if policy["dates"] == "days" else ""
        named = _named_rules(policy, vocabulary, restricted_zip3)
        writers = _special(policy, named)
        self._types = {
            type_: compile_elements(listed["elements"], listed.get("required", ()), named, writers)
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
        labels = frozenset(_labels(resource))
        if why := self._refusal(resource, labels):
            return why
        try:
            kept = self._types[type_](resource, release)
        except ModifierLostError:
            return Refusal.MODIFIER
        id_ = release.identify(f"{type_}/{resource['id']}")
        if kept is None or id_ is None:
            return Refusal.REQUIRED
        if any(name in resource and name not in kept for name in self._meaning[type_]):
            return Refusal.MEANING
        if type_ == "Patient" and self._first_visit and release.first_visit is not None:
            said = {"url": self._first_visit, "valueDate": f"{release.first_visit.year:04}"}
            kept.setdefault("extension", []).append(said)
        meta = {"profile": [f"{self._profiles}{type_.lower()}"], "security": self._security(labels)}
        return {"resourceType": type_, "id": id_, "meta": meta, **kept}

    def _refusal(self, resource: Mapping[str, Any], labels: AbstractSet[tuple[str, str]]) -> Refusal | None:
        if resource["resourceType"] not in self._types:
            return Refusal.TYPE
        if labels & self._withheld:
            return Refusal.LABEL
        return Refusal.RULES if "implicitRules" in resource else None

    def _security(self, labels: AbstractSet[tuple[str, str]]) -> list[Tree]:
        return self.labels + [one for one in self._carried if (one["system"], one["code"]) in labels]


def _labels(resource: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    for label in resource.get("meta", {}).get("security", ()):
        yield label.get("system", ""), label.get("code", "")


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
        "coding": coding,
        "concept": concept,
        "concept or masked": rules.masked(policy["extension_urls"]["data_absent_reason"], concept),
        "condition": rules.concept(rules.coding(policy["condition_groups"], policy["rolled_up"])),
        "quantity": rules.quantity(number, policy["units"]),
        "reference": rules.reference,
        "address": rules.address(
            **policy["places"], below_state=_below_state(policy["places_shown"], restricted_zip3)
        ),
    }


def _below_state(shown: str, restricted_zip3: Collection[str]) -> Callable[[Tree], Tree]:
    ways = {"zip3": rules.zip3_alone(restricted_zip3), "town": rules.town_and_zip}
    if shown not in ways:
        raise ValueError(f"There is no way '{shown}' to let places out.")
    return ways[shown]


def _special(policy: Mapping[str, Any], named: Rules) -> Special:
    urls = policy["extension_urls"]
    absent_url = urls["data_absent_reason"]
    inside = {
        "date": date_writer(policy["dates"], urls["days"]),
        "masked text": lambda name: special.masked_text(name, absent_url),
    }
    known = extensions(policy["extensions"], named, inside)
    absent = element("dataAbsentReason", named["concept"])
    rater = urls["rater"] if policy["rater_codes"] else ""
    return inside | {
        "extension": lambda _: known,
        "birth date": birth_date(policy["dates"], urls["age_class"]),
        "deceased": lambda _: special.deceased,
        "role": lambda _: special.role(policy["roles"], urls["role"], rater),
        "absent reason": lambda _: absent,
    }
