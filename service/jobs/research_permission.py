"""Whether a person's data may leave for research, by their Consent resources (FHIR R4 consent.html)."""

from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, date, datetime, time

from service.fhir.json import Tree
from service.security.consent import (
    ANY_LABELS,
    ANY_TYPE,
    Requester,
    about_research,
    answers,
    denies,
    read_consent,
)
from service.security.consent_rules import EVER, PERMITS, Rules

__all__ = ["NO_PERMISSION", "why_left_out"]

NO_PERMISSION = "No research permission on file; this person is left out of research exports."
REFUSED = "Research use was refused or withdrawn; this person is left out of research exports."
NOT_CURRENT = (
    "The research permission is not in force on this day; this person is left out of research exports."
)
LIMITED = (
    "The research permission has limits this export can't apply; this person is left out of research exports."
)
WITHHELD = (
    "A privacy consent on file withholds data from research; this person is left out of research exports."
)

_EXPORT = Requester(frozenset(), "HRESCH", "disclose")


def why_left_out(consents: Iterable[Tree], day: date) -> str | None:
    """Answer why the person may not be exported on ``day``, or None if they may.

    The newest decision about research counts; a permission whose limits can't be applied here is none, and
    none outweighs a consent about privacy that withholds some of the data from research.
    """
    rules = [read_consent(one) for one in consents]
    decision = about_research(rules)
    if decision is None:
        return NO_PERMISSION
    noon = datetime.combine(day, time(12), UTC)
    if why := _why_not(decision, noon):
        return why
    privacy = (one for one in rules if not one.research)
    return WITHHELD if denies(privacy, _EXPORT, ANY_TYPE, ANY_LABELS, noon) else None


def _why_not(decision: Rules, noon: datetime) -> str | None:
    if not decision.permission:
        return REFUSED
    if not _permits(_at_all_times(decision), noon):
        return LIMITED
    given = noon.date().isoformat()[: len(decision.day)] >= decision.day
    return None if given and _permits(decision, noon) else NOT_CURRENT


def _permits(decision: Rules, noon: datetime) -> bool:
    return answers(decision, _EXPORT, ANY_TYPE, ANY_LABELS, noon) == PERMITS


def _at_all_times(decision: Rules) -> Rules:
    return replace(decision, outer=tuple(replace(rule, span=EVER) for rule in decision.outer))
