"""Rules on how a record was signed: by whom, when, what needs a co-signature; nothing is unsigned again.

Whether an amendment bears a newer signature than what it amends is looked at where it is compared with what
is on file (``amendment.py``).
"""

from datetime import datetime, timedelta

from service.records.case import Case
from service.records.report import Report
from service.records.signature import is_amendment, is_preliminary
from service.records.visit import Signature

__all__ = ["check_signature"]

_CLOCKS_DIFFER = timedelta(minutes=5)
_STEPS = ("preliminary", "final", "amended")


def check_signature(case: Case, report: Report) -> None:
    """A signature is whole, in order and not taken back."""
    signed, below = case.record.signature, report.below("signature")
    _not_taken_back(case, below)
    if signed is None or signed.state is None:
        return
    if signed.state == "amended" and signed.reason is None:
        below.error("reason", "Say why the record was amended.", "signature-amended-reason")
    if signed.state == "draft" or (signed.state == "amended" and signed.signed_at is None):
        _unsigned(signed, below)
        return
    _signed(case, signed, below)
    if signed.state == "co-signed" or signed.co_signed_by or signed.co_signed_at:
        _co_signed(case, signed, below)
    elif signed.signer in ("student", "assistant"):
        _awaits(case, signed, below)


def _unsigned(signed: Signature, report: Report) -> None:
    amended = signed.state == "amended"
    for field in ("signed_at", "co_signed_by", "co_signed_at"):
        if getattr(signed, field) is not None:
            message = "A draft bears no signature: leave this out, or say 'signed'."
            if amended:
                message = "Nobody co-signs what nobody signed: leave this out, or give signed_at."
            report.error(field, message, "signature-draft")
    if amended:
        message = "This record counts nowhere until its amendment has been signed."
        report.warn("state", message, "amendment-unsigned")


def _signed(case: Case, signed: Signature, report: Report) -> None:
    if signed.signed_at is None:
        report.error("signed_at", "Say when the record was signed.", "signature-time")
        return
    _past(case, signed.signed_at, "signed_at", report)
    start = case.visit_start
    if start is not None and signed.signed_at < start:
        message = f"Signature {signed.signed_at.isoformat()} is before the visit began ({start.isoformat()})."
        report.error("signed_at", message, "signature-after-visit")


def _co_signed(case: Case, signed: Signature, report: Report) -> None:
    if signed.state == "signed":
        message = "A record that somebody co-signed is 'co-signed', not 'signed'."
        report.error("state", message, "signature-co-signed")
    for field, what in (
        ("co_signed_by", "Name who co-signed."),
        ("co_signed_at", "Say when it was co-signed."),
        ("co_signer_licence", "Give the number of the co-signer's licence: only a licence lets co-sign."),
    ):
        if not getattr(signed, field):
            report.error(field, what, "co-signature-whole")
    author = signed.signed_by or (case.record.visit and case.record.visit.clinician)
    if signed.co_signed_by and author and signed.co_signed_by.identifier == author.identifier:
        message = "A co-signature needs another person than the one who signed."
        report.error("co_signed_by", message, "co-signature-other-person")
    if signed.co_signed_at is None:
        return
    _past(case, signed.co_signed_at, "co_signed_at", report)
    if signed.signed_at is not None and signed.co_signed_at < signed.signed_at:
        when, first = signed.co_signed_at.isoformat(), signed.signed_at.isoformat()
        message = f"Co-signature {when} is before the signature ({first})."
        report.error("co_signed_at", message, "co-signature-after-signature")


def _awaits(case: Case, signed: Signature, report: Report) -> None:
    if case.record.visit is not None and case.record.visit.supervisor is None:
        message = (
            f"Name the licensed supervisor who is to co-sign for the {signed.signer} (visit.supervisor)."
        )
        report.error("signer", message, "co-signature-by-whom")
    else:
        message = "This record counts nowhere until the supervisor has co-signed it."
        report.warn("signer", message, "co-signature-awaited")


def _past(case: Case, when: datetime, field: str, report: Report) -> None:
    if when > case.now + _CLOCKS_DIFFER:
        report.error(field, f"Signature time {when.isoformat()} is in the future.", "signature-past")


def _not_taken_back(case: Case, report: Report) -> None:
    """A signed record is amended, never a draft again; one that came with a signature keeps one."""
    signed, before = case.record.signature, case.context.signature
    if signed is None and before in _STEPS:
        message = f"This record is on file as {before}; say how it is signed now."
        report.error("", message, "signature-kept")
    elif signed is not None and is_amendment(signed):
        if before == "preliminary" and is_preliminary(signed):
            message = "This record is on file and not signed: only what was signed is amended."
            report.error("state", message, "amendment-of-what-was-signed")
    elif signed is not None and is_preliminary(signed) and before in ("final", "amended", "sent"):
        message = (
            "This record was signed before and can't be a draft again: send it as 'amended', with a reason."
        )
        report.error("state", message, "signature-not-taken-back")
    elif signed is not None and signed.state in ("signed", "co-signed") and before == "amended":
        message = "This record was amended; what is older than that is not taken. Send it as 'amended'."
        report.error("state", message, "signature-not-taken-back")
