"""What is filed of a Consent is never less than what its rules may withhold."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from r4_examples import example_files

from service.fhir.withholding import FROM_RESEARCH, FROM_USE, withheld_from
from service.security.consent import read_consent

CODES = "http://terminology.hl7.org/CodeSystem"
_POLICIES = st.sampled_from(["", "OPTIN", "OPTINR", "OPTOUT", "OPTOUTE", "EMRGONLY", "nonsense"])
_TYPES = st.sampled_from([{}, {"type": "permit"}, {"type": "deny"}])
_MORE = st.sampled_from(
    [{}, {"period": {"start": "2026"}}, {"purpose": [{"code": "TREAT"}]}, {"class": [{"code": "Goal"}]}]
)
_INNER = st.builds(lambda type_, more: {**type_, **more}, _TYPES, _MORE)
_PROVISIONS = st.builds(
    lambda type_, more, inner: {**type_, **more, **({"provision": inner} if inner else {})},
    _TYPES,
    _MORE,
    st.lists(_INNER, max_size=2),
)


@st.composite
def consents(draw):
    scope = draw(st.sampled_from(["patient-privacy", "research", "treatment", "adr"]))
    policy = draw(_POLICIES)
    provision = draw(st.none() | _PROVISIONS)
    return {
        "resourceType": "Consent",
        "status": draw(st.sampled_from(["active", "inactive", "draft"])),
        "scope": {"coding": [{"system": f"{CODES}/consentscope", "code": scope}]},
        "patient": {"reference": "Patient/p"},
        **({"policyRule": {"coding": [{"system": f"{CODES}/v3-ActCode", "code": policy}]}} if policy else {}),
        **({"provision": provision} if provision is not None else {}),
        **draw(st.sampled_from([{}, {"modifierExtension": [{"url": "urn:x", "valueBoolean": True}]}])),
    }


@given(consents())
def test_whatever_rules_withhold_is_filed(consent):
    rules = read_consent(consent)
    if rules.withhold:
        assert withheld_from(consent) == (FROM_RESEARCH if rules.research else FROM_USE)


@pytest.mark.published("FHIR R4 consent.html: the examples")
def test_whatever_the_examples_withhold_is_filed():
    consents_ = [json.loads(file.read_text("utf-8")) for file in example_files("Consent")]
    assert len(consents_) > 5
    for one in consents_:
        assert withheld_from(one) or not read_consent(one).withhold, one["id"]


def test_a_plain_permission_is_not_asked():
    permitted = {"resourceType": "Consent", "status": "active", "patient": {"reference": "Patient/p"}}
    assert not withheld_from(permitted | {"provision": {"type": "permit"}})
    assert not withheld_from(permitted | {"status": "inactive", "provision": {"type": "deny"}})
    assert withheld_from(permitted | {"provision": {"type": "deny"}})
