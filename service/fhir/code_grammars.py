"""Code systems whose codes are told by a rule instead of a list: units, languages, media types, time zones.

Sources: UCUM (ucum.org); BCP 47 (RFC 5646 section 2.1); BCP 13 (RFC 6838 section 4.2); ISO 4217, ISO 3166-1
(the form of their codes).
"""

import re
import zoneinfo
from collections.abc import Callable, Mapping
from functools import cache

from service.fhir.units import UCUM, is_unit

__all__ = ["GRAMMARS", "told_by_form"]

_LANGUAGE = re.compile(
    r"(?:[a-z]{2,3}(?:-[a-z]{3}){0,3}|[a-z]{4,8})"
    r"(?:-[a-z]{4})?(?:-(?:[a-z]{2}|\d{3}))?"  # script, region
    r"(?:-(?:[a-z\d]{5,8}|\d[a-z\d]{3}))*"  # variants
    r"(?:-[a-wyz\d](?:-[a-z\d]{2,8})+)*"  # extensions
    r"(?:-x(?:-[a-z\d]{1,8})+)?"
    r"|x(?:-[a-z\d]{1,8})+"
    r"|en-gb-oed|i-(?:ami|bnn|default|enochian|hak|klingon|lux|mingo|navajo|pwn|tao|tay|tsu)"
    r"|sgn-(?:be-fr|be-nl|ch-de)|zh-min",
    re.IGNORECASE,
)
_NAME = r"[A-Za-z0-9][A-Za-z0-9!#$&^_.+-]{0,126}"
_WORD = r"[A-Za-z0-9!#$%&'*+.^_`|~-]+"
_QUOTED = r'"(?:[^"\\]|\\.)*"'
_MEDIA_TYPE = re.compile(rf"{_NAME}/{_NAME}(?:[ \t]*;[ \t]*{_WORD}=(?:[^\s;,\"]+|{_QUOTED}))*")
_LONGEST = 1_000


_USUAL_UNITS = frozenset(
    {
        *("1", "%", "mg", "g", "kg", "ug", "mL", "L", "mm", "cm", "m", "s", "min", "h", "d", "wk", "mo", "a"),
        *(
            "ms",
            "Hz",
            "mm[Hg]",
            "cm[H2O]",
            "Cel",
            "kg/m2",
            "/min",
            "mmol/L",
            "mg/dL",
            "g/dL",
            "[in_i]",
            "[lb_av]",
        ),
        "{score}",
    }
)
"""Units that need no parser, which takes long to load."""


def _unit(code: str) -> bool:
    return code in _USUAL_UNITS or is_unit(code)


def _language(code: str) -> bool:
    return len(code) <= _LONGEST and _LANGUAGE.fullmatch(code) is not None


def _media_type(code: str) -> bool:
    return len(code) <= _LONGEST and _MEDIA_TYPE.fullmatch(code) is not None


def _time_zone(code: str) -> bool:
    return code in _zones()


@cache
def _zones() -> frozenset[str]:
    return frozenset(zoneinfo.available_timezones())


GRAMMARS: Mapping[str, Callable[[str], bool]] = {
    UCUM: _unit,
    "urn:ietf:bcp:47": _language,
    "urn:ietf:bcp:13": _media_type,
    "https://www.iana.org/time-zones": _time_zone,
}
"""System to the rule that tells whether a code is one of its codes."""

_FORMS = {
    "urn:iso:std:iso:4217": re.compile("[A-Z]{3}"),
    "urn:iso:std:iso:3166": re.compile("[A-Z]{2,3}|[0-9]{3}"),
}


def told_by_form(system: str, code: str) -> bool | None:
    """Whether a code is one of a system, as far as the way it is written tells; None if it does not."""
    if system in GRAMMARS:
        return GRAMMARS[system](code)
    form = _FORMS.get(system)
    return False if form and not form.fullmatch(code) else None
