"""Consents made up at random, held against the plainest reading there is: every doubt decided both ways."""

from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import product
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from service.security.consent import Requester, answers, read_consent

Tree = dict[str, Any]
CODES = "http://terminology.hl7.org/CodeSystem"
NOW = datetime(2026, 9, 20, tzinfo=UTC)
ABOVE = {"TREAT": {"TREAT"}, "ETREAT": {"ETREAT", "TREAT"}, "HRESCH": {"HRESCH"}}
CONDITIONS: dict[str, st.SearchStrategy[Any]] = {
    "period": st.sampled_from([{"start": "2026"}, {"end": "2025"}, {"start": "2026-09-21"}]),
    "actor": st.lists(
        st.sampled_from(["Practitioner/1", "Organization/2"]).map(
            lambda one: {"role": {"text": "recipient"}, "reference": {"reference": one}}
        ),
        min_size=1,
        max_size=2,
    ),
    "purpose": st.lists(
        st.sampled_from(sorted(ABOVE)).map(lambda one: {"system": f"{CODES}/v3-ActReason", "code": one}),
        min_size=1,
        max_size=2,
    ),
    "class": st.lists(
        st.sampled_from(["Goal", "Observation"]).map(
            lambda one: {"system": "http://hl7.org/fhir/resource-types", "code": one}
        ),
        min_size=1,
        max_size=2,
    ),
    "securityLabel": st.sampled_from("NRV").map(
        lambda one: [{"system": f"{CODES}/v3-Confidentiality", "code": one}]
    ),
    "code": st.just([{"text": "something in the content"}]),
}
TYPES = st.sampled_from(["permit", "deny"])


def _rule(inner: st.SearchStrategy[list[Tree]]) -> st.SearchStrategy[Tree]:
    conditions = st.fixed_dictionaries({}, optional=CONDITIONS)
    return st.builds(
        lambda type_, asked, nested: {"type": type_, **asked, **({"provision": nested} if nested else {})},
        TYPES,
        conditions,
        inner,
    )


RULES = st.recursive(_rule(st.just([])), lambda one: _rule(st.lists(one, max_size=3)), max_leaves=6)


def _doubts(rule: Tree) -> int:
    return ("code" in rule) + sum(_doubts(one) for one in rule.get("provision", ()))


def _holds(rule: Tree, asked: Tree, doubt: bool) -> bool:
    period = rule.get("period", {})
    reached = [one["reference"]["reference"] for one in rule.get("actor", ())]
    purposes = {one["code"] for one in rule.get("purpose", ())}
    types = {one["code"] for one in rule.get("class", ())}
    borne, named = asked["label"], "".join(one["code"] for one in rule.get("securityLabel", ()))
    order = "ULMNRV".index
    marked = not named or (
        order(borne) <= order(named) if rule["type"] == "permit" else order(borne) >= order(named)
    )
    return (
        period in ({}, {"start": "2026"})
        and (not reached or bool(asked["actors"] & set(reached)))
        and (not purposes or bool(ABOVE[asked["purpose"]] & purposes))
        and (not types or asked["type"] in types)
        and marked
        and ("code" not in rule or doubt)
    )


def _says(rule: Tree, asked: Tree, doubts: Iterator[bool]) -> str:
    """Permit, deny or nothing; every doubt is drawn, whether it matters or not."""
    doubt = next(doubts) if "code" in rule else True
    inner = [_says(one, asked, doubts) for one in rule.get("provision", ())]
    if not _holds(rule, asked, doubt):
        return ""
    return "deny" if "deny" in inner else ("permit" if "permit" in inner else rule["type"])


def _all_answers(base: str, rule: Tree, asked: Tree) -> set[bool]:
    decided = product([True, False], repeat=_doubts(rule))
    return {(_says(rule, asked, iter(one)) or base) == "permit" for one in decided}


@settings(max_examples=400, deadline=None)
@given(
    base=st.sampled_from(["OPTIN", "OPTOUT"]),
    rule=RULES,
    actors=st.sets(st.sampled_from(["Practitioner/1", "Organization/2", "Device/3"])),
    purpose=st.sampled_from(sorted(ABOVE)),
    type_=st.sampled_from(["Goal", "Observation"]),
    label=st.sampled_from("LNRV"),
)
def test_the_answer_is_that_of_the_plainest_reading(
    base: str, rule: Tree, actors: set[str], purpose: str, type_: str, label: str
) -> None:
    consent = {
        "status": "active",
        "scope": {"coding": [{"system": f"{CODES}/consentscope", "code": "patient-privacy"}]},
        "policyRule": {"coding": [{"system": f"{CODES}/v3-ActCode", "code": base}]},
        "provision": rule,
    }
    caller = Requester(frozenset(actors), purpose, "access")
    borne = frozenset({(f"{CODES}/v3-Confidentiality", label)})
    found = answers(read_consent(consent), caller, type_, borne, NOW)
    asked = {"actors": actors, "purpose": purpose, "type": type_, "label": label}
    assert found == _all_answers("permit" if base == "OPTIN" else "deny", rule, asked)
