"""Whether a person's Consents refuse a use of their data. Pure: nothing is looked up, the time is passed in.

Within a Consent the innermost rule that holds decides, and of rules side by side one that refuses. Among
Consents one that refuses decides, whatever their dates: a person who changes their mind has the former one
set inactive. In doubt the answer is a refusal. Nothing is refused where no active Consent of scope
patient-privacy says so ("All settings need a policy for when no consent has been captured", consent.html
6.2.6): there the care relation and scopes decide. Of Consents about research the newest counts, and only for
requests whose purpose is research.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from service.fhir.code_systems import shipped_code_system
from service.fhir.confidentiality import CONFIDENTIALITY
from service.fhir.datetimes import milliseconds
from service.security.consent_reading import read_consent
from service.security.consent_rules import Rule, Rules

__all__ = ["ANY_LABELS", "ANY_TYPE", "Requester", "about_research", "answers", "denies", "read_consent"]

ANY_TYPE = ""
ANY_LABELS: None = None
"""Asked for data of every type or label at once: a rule about some of it may hold or not."""

_RESEARCH = "HRESCH"
_PURPOSES = "http://terminology.hl7.org/CodeSystem/v3-ActReason"
_RANKS = {code: rank for rank, code in enumerate("ULMNRV")}
_NORMAL = _RANKS["N"]

Labels = frozenset[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class Requester:
    """Who asks, what for, and what to do.

    ``actors`` are the references (``Type/id``) of everybody the caller acts as: the person, their roles,
    teams and organizations; whoever is not among them is somebody else. ``purpose`` is a code of
    PurposeOfUse, empty if not told. ``action`` is one of consentaction: access (reads, searches), correct
    (writes), disclose.
    """

    actors: frozenset[str]
    purpose: str
    action: str


@dataclass(frozen=True, slots=True)
class _Asked:
    caller: Requester
    type_: str
    labels: Labels | None
    now: int


def denies(
    rules: Iterable[Rules], caller: Requester, type_: str, labels: Labels | None, now: datetime
) -> bool:
    """Whether one of a person's Consents refuses, or may refuse, this use of a resource of this type.

    ``labels`` are its security labels as (system, code). What the person asks for themselves is not refused.
    """
    asked = _Asked(caller, type_, labels, milliseconds(now))
    return any(False in _answers(one, asked) for one in _concerning(tuple(rules), caller))


def answers(
    rules: Rules, caller: Requester, type_: str, labels: Labels | None, now: datetime
) -> frozenset[bool]:
    """What one Consent may answer: True permits, False refuses, both if in doubt, none if it says nothing."""
    return _answers(rules, _Asked(caller, type_, labels, milliseconds(now)))


def about_research(rules: Iterable[Rules]) -> Rules | None:
    """The newest of a person's Consents about research alone; None if there is none.

    Of several of one day, and of one that bears no date, the one that refuses counts.
    """
    return max((one for one in rules if one.research), key=_order, default=None)


def _order(rules: Rules) -> str:
    """Sorts by day; a refusal after every permission of the day, month or year it bears."""
    return rules.day if rules.permission else f"{rules.day or '9999'}~"


def _concerning(rules: Sequence[Rules], caller: Requester) -> Iterator[Rules]:
    """Those of a person's Consents that this request is asked of."""
    yield from (one for one in rules if not one.research and one.patient not in caller.actors)
    newest = about_research(rules)
    if newest and newest.patient not in caller.actors and _is_a(_PURPOSES, caller.purpose, _RESEARCH):
        yield newest


def _answers(rules: Rules, asked: _Asked) -> frozenset[bool]:
    return _with_exceptions(rules.base, rules.outer, asked)


def _with_exceptions(effect: frozenset[bool], exceptions: Sequence[Rule], asked: _Asked) -> frozenset[bool]:
    """What a rule may say: as its exceptions do, and its own effect where none of them may hold."""
    said: frozenset[bool | None] = frozenset({None})
    for one in exceptions:
        said = _side_by_side(said, _says(one, asked))
    decided = frozenset(one for one in said if one is not None)
    return decided.union(effect) if None in said else decided


def _says(rule: Rule, asked: _Asked) -> frozenset[bool | None]:
    """What a rule may say to this: None is that it does not hold."""
    holds = _holds(rule, asked)
    if holds is False:
        return frozenset({None})
    said = _with_exceptions(rule.effect, rule.exceptions, asked)
    return said if holds else said | {None}


def _side_by_side(first: frozenset[bool | None], second: frozenset[bool | None]) -> frozenset[bool | None]:
    """All that two rules may say together: a refusal comes before a permission, that before nothing."""
    return frozenset(_stronger(one, other) for one in first for other in second)


def _stronger(one: bool | None, other: bool | None) -> bool | None:
    if one is None or other is None:
        return one if other is None else other
    return one and other


def _holds(rule: Rule, asked: _Asked) -> bool | None:
    """Whether all conditions of a rule are met; None if that can't be told."""
    if rule.always:
        return True
    low, high = rule.span
    return _all(
        (
            low <= asked.now < high,
            not rule.actors or not rule.actors.isdisjoint(asked.caller.actors),
            _any([_action(one, asked.caller.action) for one in rule.actions]),
            _any([_purpose(*one, asked.caller.purpose) for one in rule.purposes]),
            not rule.types or (None if asked.type_ == ANY_TYPE else asked.type_ in rule.types),
            _labelled(rule, asked.labels),
            None if rule.doubts else True,
        )
    )


def _all(conditions: Iterable[bool | None]) -> bool | None:
    found = set(conditions)
    return False if False in found else (None if None in found else True)


def _any(choices: Sequence[bool | None]) -> bool | None:
    """Whether one of the choices holds; without choices everything does."""
    return not choices or (True if True in choices else (None if None in choices else False))


def _action(ruled: str, asked: str) -> bool | None:
    """Actions overlap, as nothing is used or disclosed unread; correcting alone lets nobody read."""
    if ruled == asked:
        return True
    return False if ruled == "correct" and asked else None


def _purpose(system: str, ruled: str, asked: str) -> bool | None:
    """A purpose covers those below it, such as emergency treatment below treatment."""
    return _is_a(_PURPOSES, asked, ruled) if system == _PURPOSES and asked else None


def _is_a(system: str, code: str, above: str) -> bool:
    known = shipped_code_system(system)
    return code == above or bool(known and known.subsumes(above, code))


def _labelled(rule: Rule, labels: Labels | None) -> bool | None:
    """Whether data with these labels have all that the rule names; with some of them it is in doubt."""
    if not rule.labels:
        return True
    if labels is None:
        return None
    met = {_label(system, code, labels, rule.effect) for system, code in rule.labels}
    return met.pop() if len(met) == 1 else None


def _label(system: str, code: str, labels: Labels, effect: frozenset[bool]) -> bool | None:
    if system == CONFIDENTIALITY:
        return _confidential(code, labels, effect)
    borne = {one for of, one in labels if of == system}
    if any(_is_a(system, one, code) for one in borne):
        return True
    return False if not borne or shipped_code_system(system) else None


def _confidential(code: str, labels: Labels, effect: frozenset[bool]) -> bool | None:
    """Permission for R is one for R and lower (a high water mark, says R4), refusal of R one of R and higher.

    Data without such a label are N, normal.
    """
    if code not in _RANKS:
        return None
    ruled = _RANKS[code]
    ranks = (_RANKS[one] for system, one in labels if system == CONFIDENTIALITY and one in _RANKS)
    rank = max(ranks, default=_NORMAL)
    met = {rank <= ruled if permits else rank >= ruled for permits in effect}
    return met.pop() if len(met) == 1 else None
