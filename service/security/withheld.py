"""What Consents keep from a caller, as conditions of a search.

A Consent may refuse by type and by label. Of labels a search can tell the confidentiality codes, which are
ranks, and whether there is a label of some other system; where a Consent names such a label, whatever bears
one of its system is left out.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import datetime

from service.errors import TooCostly
from service.fhir.confidentiality import CONFIDENTIALITY
from service.fhir.search_query import AnyOf, Clause, Condition, Linked, Not, OfPatient, OfType, TokenValue
from service.security.consent import ANY_LABELS, Requester, denies
from service.security.consent_rules import Rules
from service.security.remembered import Withheld

__all__ = ["kept_from"]

_RANKS = ("U", "L", "M", "N", "R", "V")
_MOST = 5_000
_Refused = tuple[frozenset[str], frozenset[str]]
"""Confidentiality codes (empty text: none) and systems of other labels that are refused."""
_ALL = frozenset({"", *_RANKS})


def kept_from(asker: Requester, withheld: Withheld, types: Sequence[str], now: datetime) -> list[Condition]:
    """Answer conditions that leave out what Consents refuse; none if they refuse nothing of these types.

    TooCostly if more people refuse something than a search can look at.
    """
    groups: dict[tuple[str, _Refused], list[str]] = defaultdict(list)
    for patient, rules in withheld.items():
        for type_ in types:
            if denies(rules, asker, type_, ANY_LABELS, now):
                groups[type_, _refused(rules, asker, type_, now)].append(patient)
    if sum(map(len, groups.values())) > _MOST:
        raise TooCostly("The Consents of too many people bear on this search; name the patient.")
    ways = [_way(type_, refused, patients) for (type_, refused), patients in groups.items()]
    return [Not(AnyOf(tuple(ways)))] if ways else []


def _refused(rules: Iterable[Rules], asker: Requester, type_: str, now: datetime) -> _Refused:
    rules = tuple(rules)
    systems = frozenset(
        system
        for one in rules
        for outer in one.outer
        for rule in outer.each()
        for system, _ in rule.labels
        if system != CONFIDENTIALITY
    )
    codes = frozenset(
        code
        for code in _ALL
        if denies(rules, asker, type_, frozenset({(CONFIDENTIALITY, code)} if code else ()), now)
    )
    return codes, systems


def _way(type_: str, refused: _Refused, patients: Sequence[str]) -> tuple[Condition, ...]:
    codes, systems = refused
    people = OfPatient((Linked("Patient", Clause(("Resource._id",), "id", tuple(patients))),))
    if codes == _ALL:
        return OfType((type_,)), people
    ways = [_ranked(code) for code in sorted(codes)]
    ways += [(_labelled(TokenValue(system, None)),) for system in sorted(systems)]
    return OfType((type_,)), people, AnyOf(tuple(ways))


def _ranked(code: str) -> tuple[Condition, ...]:
    """Its highest confidentiality code is this one."""
    higher = _RANKS[_RANKS.index(code) + 1 :] if code else _RANKS
    without = [Not(_labelled(*(TokenValue(CONFIDENTIALITY, one) for one in higher)))] if higher else []
    return (*([_labelled(TokenValue(CONFIDENTIALITY, code))] if code else []), *without)


def _labelled(*values: TokenValue) -> Clause:
    return Clause(("Resource._security",), "token", values, wide=True)
