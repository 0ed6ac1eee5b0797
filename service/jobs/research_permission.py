"""Whether a person's data may be used for research, by their Consent resources (FHIR R4 consent.html)."""

from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any

__all__ = ["NO_PERMISSION", "why_left_out"]

NO_PERMISSION = "No research permission on file; this person is left out of research exports."
REFUSED = "Research use was refused or withdrawn; this person is left out of research exports."
NOT_CURRENT = (
    "The research permission is not in force on this day; this person is left out of research exports."
)
LIMITED = (
    "The research permission has limits this export can't apply; this person is left out of research exports."
)

_SCOPE = "http://terminology.hl7.org/CodeSystem/consentscope"
_SCOPES = frozenset({"de-identified research", "research", "rsdid"})
"""Scopes this export lies in: the visit record's default, and codes of the HL7 consent categories."""
_NOT_A_DECISION = frozenset({"draft", "proposed", "rejected", "entered-in-error"})

Tree = Mapping[str, Any]


def why_left_out(consents: Iterable[Tree], day: date) -> str | None:
    """Answer why the person may not be exported on ``day``, or None if they may.

    The newest decision about research counts. Of decisions of one day, and of one that bears no date, the
    one that refuses counts; a permission whose limits can't be applied here is none.
    """
    decisions = [
        item for item in consents if _about_research(item) and item.get("status") not in _NOT_A_DECISION
    ]
    if not decisions:
        return NO_PERMISSION
    newest = max(decisions, key=_order)
    if not _permits(newest):
        return REFUSED
    provision = newest["provision"]
    if "modifierExtension" in newest or _limits(provision):
        return LIMITED
    return None if _in_force(newest, day) else NOT_CURRENT


def _about_research(consent: Tree) -> bool:
    codings = consent.get("scope", {}).get("coding", [])
    return any(item.get("system") == _SCOPE and item.get("code") == "research" for item in codings)


def _permits(consent: Tree) -> bool:
    return consent.get("status") == "active" and consent.get("provision", {}).get("type") == "permit"


def _order(consent: Tree) -> str:
    """Sorts by day; a refusal after every permission of the day, month or year it bears."""
    refuses = not _permits(consent)
    day: str = consent.get("dateTime", "9999" if refuses else "")[:10]
    return f"{day}~" if refuses else day


def _limits(provision: Tree) -> bool:
    """Whether the provision says more than a permission, its period and that it is about such research."""
    purposes = [item.get("code") for item in provision.get("purpose", [])]
    scopes = [scope for code in provision.get("code", []) for scope in _words(code)]
    return (
        bool(provision.keys() - {"type", "period", "purpose", "code"})
        or (bool(purposes) and "HRESCH" not in purposes)
        or (bool(scopes) and not _SCOPES.intersection(scopes))
    )


def _words(concept: Tree) -> list[str]:
    return [concept.get("text", ""), *(coding.get("code", "") for coding in concept.get("coding", []))]


def _in_force(consent: Tree, day: date) -> bool:
    """Whether given by ``day`` and within its period, to the precision the dates were given in."""
    today = day.isoformat()
    period = consent["provision"].get("period", {})
    starts = [consent.get("dateTime", "")[:10], period.get("start", "")[:10]]
    end = period.get("end", "9999")[:10]
    return all(today[: len(start)] >= start for start in starts) and today[: len(end)] <= end
