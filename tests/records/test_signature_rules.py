"""How a record may be signed: each rule by one thing that is wrong, with its place and sentence."""

from dataclasses import replace
from typing import Any

import pytest

from service.records.context import RecordContext

STUDENT = {
    "identifier": {"system": "https://clinic.example.org/staff", "value": "student-01"},
    "name": "Robin Learnwell",
}
SUPERVISOR = {
    "identifier": {"system": "https://clinic.example.org/staff", "value": "slp-02"},
    "name": "Alex Overseer",
}
AT, LATER = "2026-02-03T12:00-05:00", "2026-02-04T08:00-05:00"
SIGNED = {"state": "signed", "signed_at": AT}
CO_SIGNED = {
    "state": "co-signed",
    "signed_by": STUDENT,
    "signer": "student",
    "signed_at": AT,
    "co_signed_by": SUPERVISOR,
    "co_signed_at": LATER,
    "co_signer_licence": "SLP-4711",
}
AMENDED = {"state": "amended", "signed_at": AT, "reason": "hold time mistyped"}


def without(tree: dict[str, Any], *names: str) -> dict[str, Any]:
    return {name: value for name, value in tree.items() if name not in names}


@pytest.fixture
def judged(example, judge):
    def judged(signature: Any, *, on_file: str = "", supervisor: bool = False):
        document = example("demo-01-visit-1")
        document.tree["signature"] = signature
        if signature is None:
            del document.tree["signature"]
        if supervisor:
            document.tree["visit"]["supervisor"] = SUPERVISOR
        return judge(document, replace(RecordContext(), signature=on_file))

    return judged


@pytest.mark.parametrize(
    "signature",
    [None, {"state": "draft"}, {"state": "draft", "signed_by": STUDENT}, SIGNED, CO_SIGNED, AMENDED],
)
def test_a_whole_signature_is_taken(judged, signature):
    assert judged(signature).errors == ()


@pytest.mark.parametrize(
    ("signature", "place", "sentence"),
    [
        (
            {"state": "draft", "signed_at": AT},
            "/signature/signed_at",
            "A draft bears no signature: leave this out, or say 'signed'.",
        ),
        ({"state": "signed"}, "/signature/signed_at", "Say when the record was signed."),
        (
            SIGNED | {"signed_at": "2027-01-01T00:00Z"},
            "/signature/signed_at",
            "Signature time 2027-01-01T00:00:00+00:00 is in the future.",
        ),
        (
            SIGNED | {"signed_at": "2026-02-03T09:29-05:00"},
            "/signature/signed_at",
            "Signature 2026-02-03T09:29:00-05:00 is before the visit began (2026-02-03T09:30:00-05:00).",
        ),
        (
            SIGNED | {"signed_by": STUDENT, "signer": "student"},
            "/signature/signer",
            "Name the licensed supervisor who is to co-sign for the student (visit.supervisor).",
        ),
        (
            CO_SIGNED | {"state": "signed"},
            "/signature/state",
            "A record that somebody co-signed is 'co-signed', not 'signed'.",
        ),
        (without(CO_SIGNED, "co_signed_by"), "/signature/co_signed_by", "Name who co-signed."),
        (without(CO_SIGNED, "co_signed_at"), "/signature/co_signed_at", "Say when it was co-signed."),
        (
            without(CO_SIGNED, "co_signer_licence"),
            "/signature/co_signer_licence",
            "Give the number of the co-signer's licence: only a licence lets co-sign.",
        ),
        (
            CO_SIGNED | {"co_signed_by": STUDENT},
            "/signature/co_signed_by",
            "A co-signature needs another person than the one who signed.",
        ),
        (
            CO_SIGNED | {"co_signed_at": "2026-02-03T11:59-05:00"},
            "/signature/co_signed_at",
            "Co-signature 2026-02-03T11:59:00-05:00 is before the signature (2026-02-03T12:00:00-05:00).",
        ),
        (
            CO_SIGNED | {"co_signed_at": "2027-01-01T00:00Z"},
            "/signature/co_signed_at",
            "Signature time 2027-01-01T00:00:00+00:00 is in the future.",
        ),
        (without(AMENDED, "reason"), "/signature/reason", "Say why the record was amended."),
        (
            AMENDED | {"signed_by": STUDENT, "signer": "assistant"},
            "/signature/signer",
            "Name the licensed supervisor who is to co-sign for the assistant (visit.supervisor).",
        ),
        (
            without(AMENDED, "signed_at") | {"co_signed_at": LATER},
            "/signature/co_signed_at",
            "Nobody co-signs what nobody signed: leave this out, or give signed_at.",
        ),
    ],
)
def test_what_is_wrong_is_said_at_its_place(judged, signature, place, sentence):
    found = {(issue.place.pointer, issue.message) for issue in judged(signature).errors}
    assert (place, sentence) in found


def test_who_signs_for_themselves_co_signs_for_nobody_also_when_the_signer_is_the_visits_clinician(
    judged, example
):
    clinician = example("demo-01-visit-1").tree["visit"]["clinician"]
    signature = without(CO_SIGNED, "signed_by") | {"co_signed_by": clinician}
    messages = [issue.message for issue in judged(signature).errors]
    assert messages == ["A co-signature needs another person than the one who signed."]


def test_what_waits_for_a_supervisor_is_warned_of(judged):
    checked = judged(SIGNED | {"signed_by": STUDENT, "signer": "student"}, supervisor=True)
    assert checked.errors == ()
    assert "This record counts nowhere until the supervisor has co-signed it." in [
        issue.message for issue in checked.warnings
    ]


def test_an_amendment_nobody_signed_is_taken_and_warned_of(judged):
    checked = judged(without(AMENDED, "signed_at"), on_file="final")
    assert checked.errors == ()
    assert "This record counts nowhere until its amendment has been signed." in [
        issue.message for issue in checked.warnings
    ]


@pytest.mark.parametrize(
    ("on_file", "signature", "refused"),
    [
        ("", {"state": "draft"}, False),
        ("preliminary", {"state": "draft"}, False),
        ("preliminary", SIGNED, False),
        ("final", SIGNED, False),
        ("final", AMENDED, False),
        ("sent", SIGNED, False),
        ("sent", None, False),
        ("amended", AMENDED, False),
        ("final", {"state": "draft"}, True),
        ("sent", {"state": "draft"}, True),
        ("amended", {"state": "draft"}, True),
        ("amended", SIGNED, True),
        ("final", without(AMENDED, "signed_at"), False),
        ("sent", without(AMENDED, "signed_at"), False),
        ("amended", without(AMENDED, "signed_at"), False),
        ("preliminary", without(AMENDED, "signed_at"), True),
        ("preliminary", None, True),
        ("final", None, True),
    ],
)
def test_what_was_signed_is_amended_and_never_a_draft_again(judged, on_file, signature, refused):
    rules = {issue.rule for issue in judged(signature, on_file=on_file).errors}
    assert rules <= {"signature-not-taken-back", "signature-kept", "amendment-of-what-was-signed"}
    assert bool(rules) is refused
