import pytest

from service.errors import InvalidInput

CODES = "http://terminology.hl7.org/CodeSystem"
CONSENT = {
    "resourceType": "Consent",
    "status": "active",
    "scope": {"coding": [{"system": f"{CODES}/consentscope", "code": "patient-privacy"}]},
    "category": [{"coding": [{"system": f"{CODES}/consentcategorycodes", "code": "npp"}]}],
    "patient": {"reference": "Patient/p"},
    "policyRule": {"coding": [{"system": f"{CODES}/v3-ActCode", "code": "OPTIN"}]},
}
VIDEO = {"provision": {"type": "deny", "code": [{"text": "the video"}]}}


def doubts(issues):
    """Those about what can't be enforced; bindings and narrative have their own."""
    return [issue for issue in issues if issue.code == "not-supported"]


@pytest.mark.conformance("I10")
def test_who_writes_a_consent_that_can_t_be_enforced_as_meant_is_told(client):
    (issue,) = doubts(client.create(CONSENT | VIDEO).issues)
    assert issue.severity == "warning"
    assert issue.place.expression == "Consent.provision.code[0]"
    assert issue.message == (
        "Resources are not told apart by codes in their content. "
        "Whatever this rule may be about is refused in doubt."
    )


def test_a_consent_that_is_enforced_as_meant_is_written_without_a_word(client):
    assert doubts(client.create(CONSENT).issues) == []
    assert doubts(client.create(CONSENT | VIDEO | {"status": "draft"}).issues) == []


def test_a_consent_that_is_no_consent_is_refused_for_that_alone(client):
    with pytest.raises(InvalidInput) as refusal:
        client.create(CONSENT | {"provision": {"type": "deny", "code": "the video"}})
    assert doubts(refusal.value.issues) == []


def test_sites_that_only_warn_hear_of_what_is_missing_and_of_what_is_not_enforced(client_with):
    incomplete = {name: value for name, value in (CONSENT | VIDEO).items() if name != "category"}
    issues = client_with(warn_only=True).create(incomplete).issues
    assert "required" in {issue.code for issue in issues}
    assert len(doubts(issues)) == 1
