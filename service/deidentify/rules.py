"""What may be kept of one value: each rule answers the value that may leave, or None.

A rule never trusts what the sender wrote: a code stays only if the vocabulary has it, its label is the
vocabulary's, a unit is one of the policy's, a number is small enough not to be somebody's number. So a name
typed into a label or a telephone number stored as an integer does not get through.
"""

import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from service.deidentify.dates import OLDEST_SHOWN, as_stored, shifted, year
from service.deidentify.places import town, zip3, zip5

__all__ = [
    "Release",
    "Tree",
    "Value",
    "Vocabulary",
    "address",
    "boolean",
    "coding",
    "concept",
    "masked",
    "moved_date",
    "number",
    "one_of",
    "quantity",
    "reference",
    "referenced",
    "stored_date",
    "town_and_zip",
    "year_only",
    "zip3_alone",
]

Tree = dict[str, Any]
Vocabulary = Mapping[str, Mapping[str, str]]
"""Code system to code to label; a code that is not here is not let out."""

_REFERENCE = re.compile(
    r"([A-Z][A-Za-z]{1,63})/([A-Za-z0-9.-]{1,64})(?:/_history/[A-Za-z0-9.-]{1,64})?", re.ASCII
)
_PERIODS_IN_A_YEAR = {"a": 1, "mo": 12, "wk": 52.1775, "d": 365.25, "h": 8766, "min": 525960}


@dataclass(frozen=True, slots=True)
class Release:
    """What one release fixes for all its rules, of one person.

    ``day`` is the day of release, from which ages are counted. ``identify`` answers the random id of
    ``Type/id``, or None if that resource is not part of the release. ``shift`` are the days by which the
    person's dates are moved, ``first_visit`` is the day they are counted from. ``rater`` answers the random
    code of ``Practitioner/id``, None if it has none.
    """

    day: date
    identify: Callable[[str], str | None]
    shift: int = 0
    first_visit: date | None = None
    rater: Callable[[str], str | None] = lambda _: None


Value = Callable[[Any, Release], Any]
"""A rule: the value as stored and the release in; what may leave, or None, out."""


def one_of(allowed: Collection[str]) -> Value:
    """Keep one of the listed words."""
    words = frozenset(allowed)
    return lambda value, _: value if isinstance(value, str) and value in words else None


def boolean(value: Any, _: Release) -> Any:
    """Keep true or false."""
    return value if isinstance(value, bool) else None


def number(largest: int, digits: int) -> Value:
    """Keep a number whose size is at most ``largest`` and that is written with at most ``digits`` digits."""

    def rule(value: Any, _: Release) -> Any:
        if isinstance(value, bool) or not isinstance(value, (int, Decimal)):
            return None
        exact = Decimal(value)
        return value if abs(exact) <= largest and len(exact.as_tuple().digits) <= digits else None

    return rule


def year_only(value: Any, release: Release) -> Any:
    """Keep the year of a date or dateTime, unless it shows an age over 89."""
    return year(value, release.day) if isinstance(value, str) else None


def moved_date(value: Any, release: Release) -> Any:
    """Move a date or dateTime by the person's offset, unless it shows an age over 89."""
    return shifted(value, release.shift, release.day) if isinstance(value, str) else None


def stored_date(value: Any, _: Release) -> Any:
    """Keep a date or dateTime as it is."""
    return as_stored(value) if isinstance(value, str) else None


def coding(codes: Vocabulary, rolled_up: Mapping[str, str]) -> Value:
    """Keep system, code and the vocabulary's own label of a Coding that the vocabulary knows.

    ``rolled_up`` names, for a classification, the pattern whose first group is what may be kept of a code
    (ICD-10: three characters); such a code is cut, never looked up, and has no label any more.
    """
    patterns = {system: re.compile(pattern, re.ASCII) for system, pattern in rolled_up.items()}

    def rule(value: Any, _: Release) -> Any:
        if not isinstance(value, dict):
            return None
        system, code = value.get("system"), value.get("code")
        if not isinstance(system, str) or not isinstance(code, str):
            return None
        if system in patterns:
            found = patterns[system].fullmatch(code)
            return {"system": system, "code": found[1]} if found else None
        label = codes.get(system, {}).get(code)
        if label is None:
            return None
        return (
            {"system": system, "code": code, "display": label} if label else {"system": system, "code": code}
        )

    return rule


def concept(keep: Value) -> Value:
    """Keep of a CodeableConcept the codings that ``keep`` lets out; never its text."""

    def rule(value: Any, release: Release) -> Any:
        codings = value.get("coding") if isinstance(value, dict) else None
        if not isinstance(codings, list):
            return None
        kept = [found for item in codings if (found := keep(item, release)) is not None]
        return {"coding": kept} if kept else None

    return rule


def quantity(number_rule: Value, units: Mapping[str, str]) -> Value:
    """Keep value, comparator and UCUM unit of a Quantity; the unit's text is the policy's own.

    A time of 90 years or more may be an age and is dropped.
    """
    comparator = one_of(("<", "<=", ">=", ">"))

    def rule(value: Any, release: Release) -> Any:
        if not isinstance(value, dict) or value.get("system") != "http://unitsofmeasure.org":
            return None
        amount, code = number_rule(value.get("value"), release), value.get("code")
        if amount is None or not isinstance(code, str) or code not in units or _shows_age(amount, code):
            return None
        kept: Tree = {"value": amount}
        if comparator(value.get("comparator"), release):
            kept["comparator"] = value["comparator"]
        return kept | {"unit": units[code], "system": "http://unitsofmeasure.org", "code": code}

    return rule


def _shows_age(amount: int | Decimal, code: str) -> bool:
    return code in _PERIODS_IN_A_YEAR and float(amount) / _PERIODS_IN_A_YEAR[code] >= OLDEST_SHOWN + 1


def reference(value: Any, release: Release) -> Any:
    """Point a Reference at the released resource; nothing is left if its target is not released."""
    text = value.get("reference") if isinstance(value, dict) else None
    found = _REFERENCE.fullmatch(text) if isinstance(text, str) else None
    if found is None:
        return None
    id_ = release.identify(f"{found[1]}/{found[2]}")
    return None if id_ is None else {"reference": f"{found[1]}/{id_}"}


def referenced(value: Any) -> tuple[str, str]:
    """Resource type and id a Reference points at, empty if it does not say."""
    text = value.get("reference") if isinstance(value, dict) else None
    found = _REFERENCE.fullmatch(text) if isinstance(text, str) else None
    return (found[1], found[2]) if found else ("", "")


def zip3_alone(restricted: Collection[str]) -> Callable[[Tree], Tree]:
    """Of a place below its state, keep three ZIP digits."""

    def shown(place: Tree) -> Tree:
        code = place.get("postalCode")
        return {"postalCode": zip3(code, restricted)} if isinstance(code, str) else {}

    return shown


def town_and_zip(place: Tree) -> Tree:
    """Of a place below its state, keep town and five ZIP digits."""
    kept = {
        name: shown(place[name])
        for name, shown in (("city", town), ("postalCode", zip5))
        if isinstance(place.get(name), str)
    }
    return {name: value for name, value in kept.items() if value is not None}


def address(
    *,
    states: Collection[str],
    home: Collection[str],
    countries: Collection[str],
    below_state: Callable[[Tree], Tree],
) -> Value:
    """Keep of an Address state, country and what ``below_state`` keeps; abroad the country alone.

    ``home`` are the ways to write the country whose states and ZIP codes these are; no country means home.
    """

    def rule(value: Any, _: Release) -> Any:
        if not isinstance(value, dict):
            return None
        country = value.get("country")
        kept: Tree = {}
        if country is None or country in home:
            if value.get("state") in states:
                kept["state"] = value["state"]
            kept |= below_state(value)
        if country in home or country in countries:
            kept["country"] = country
        return kept or None

    return rule


def masked(data_absent_reason: str, keep: Value) -> Value:
    """Keep what ``keep`` lets out; else say, by the extension of that URL, that something was hidden."""
    hidden = {"extension": [{"url": data_absent_reason, "valueCode": "masked"}]}
    return lambda value, release: found if (found := keep(value, release)) is not None else hidden
