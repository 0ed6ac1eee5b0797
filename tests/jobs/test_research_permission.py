from datetime import date

import pytest
from research_store import consent

from service.jobs import research_permission
from service.jobs.research_permission import NO_PERMISSION, why_left_out

DAY = date(2026, 9, 20)
REASON = "http://terminology.hl7.org/CodeSystem/v3-ActReason"
CONFIDENTIALITY = "http://terminology.hl7.org/CodeSystem/v3-Confidentiality"
TYPES = "http://hl7.org/fhir/resource-types"


def test_without_a_research_consent_a_person_is_left_out():
    treatment = consent("p")
    treatment["scope"]["coding"][0]["code"] = "treatment"
    assert why_left_out([], DAY) == NO_PERMISSION
    assert (
        why_left_out([treatment], DAY)
        == "No research permission on file; this person is left out of research exports."
    )


@pytest.mark.parametrize("status", ["draft", "proposed", "rejected", "entered-in-error"])
def test_a_consent_that_is_no_decision_is_as_if_it_were_not_there(status):
    assert why_left_out([consent("p") | {"status": status}], DAY) == NO_PERMISSION


@pytest.mark.parametrize(
    ("provision", "out"),
    [
        ({"type": "deny", "purpose": [{"system": REASON, "code": "HRESCH"}]}, True),
        ({"type": "deny", "class": [{"system": TYPES, "code": "Observation"}]}, True),
        ({"type": "deny", "securityLabel": [{"system": CONFIDENTIALITY, "code": "R"}]}, True),
        ({"type": "deny", "purpose": [{"system": REASON, "code": "HPAYMT"}]}, False),
        ({"type": "permit"}, False),
    ],
)
def test_a_privacy_consent_that_withholds_from_research_outweighs_the_permission(provision, out):
    privacy = consent("p")
    privacy["scope"]["coding"][0]["code"] = "patient-privacy"
    privacy["provision"] = provision
    found = why_left_out([consent("p"), privacy], DAY)
    assert found == (research_permission.WITHHELD if out else None)


def test_a_permission_in_force_is_enough():
    assert why_left_out([consent("p")], DAY) is None
    assert why_left_out([consent("p", period={"start": "2026", "end": "2026-09"})], DAY) is None


@pytest.mark.parametrize(
    ("decisions", "out"),
    [
        ([("permit", "2026-01-27"), ("withdrawn", "2026-05-01")], True),
        ([("withdrawn", "2026-05-01"), ("permit", "2026-06-01")], False),
        ([("permit", "2026-05-01"), ("withdrawn", "2026-05-01")], True),
        ([("permit", "2026-05-01T09:00:00Z"), ("deny", "2026-05")], True),
        ([("deny", "2026-01-27")], True),
    ],
)
def test_the_newest_decision_counts_and_in_doubt_the_refusal(decisions, out):
    found = why_left_out([consent("p", decision, on) for decision, on in decisions], DAY)
    assert found == (research_permission.REFUSED if out else None)


def test_a_refusal_without_a_date_counts():
    refusal = consent("p", "deny")
    del refusal["dateTime"]
    assert why_left_out([consent("p"), refusal], DAY) == research_permission.REFUSED


@pytest.mark.parametrize(
    ("on", "more"),
    [
        ("2026-09-21", {}),
        ("2026-01-27", {"period": {"start": "2026-10-01"}}),
        ("2026-01-27", {"period": {"end": "2026-09-19"}}),
        ("2026-01-27", {"period": {"end": "2026-08"}}),
    ],
)
def test_a_permission_that_is_not_in_force_is_none(on, more):
    assert why_left_out([consent("p", on=on, **more)], DAY) == research_permission.NOT_CURRENT


@pytest.mark.parametrize(
    "more",
    [
        {"provision": [{"type": "deny"}]},
        {"purpose": [{"system": REASON, "code": "TREAT"}]},
        {"purpose": [{"code": "HRESCH"}]},
        {"actor": [{"role": {"text": "recipient"}, "reference": {"reference": "Organization/1"}}]},
        {"code": [{"text": "the video of one study"}]},
        {"dataPeriod": {"start": "2026-01-01"}},
    ],
)
def test_a_permission_with_limits_nobody_here_can_apply_is_none(more):
    assert why_left_out([consent("p", **more)], DAY) == research_permission.LIMITED


def test_the_visit_record_s_own_scope_and_a_research_purpose_are_no_limit():
    more = {"code": [{"text": "de-identified research"}], "purpose": [{"system": REASON, "code": "HRESCH"}]}
    assert why_left_out([consent("p", **more)], DAY) is None
