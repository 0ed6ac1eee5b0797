"""How a value of each FHIR data type is filed (FHIR R4 search.html, the table of each parameter type)."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from math import inf, nextafter
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from service.fhir.datetimes import EARLIEST, LATEST, interval
from service.fhir.json import Tree
from service.fhir.references import local_target
from service.fhir.search_values import (
    DateKey,
    NumberKey,
    QuantityKey,
    ReferenceKey,
    StringKey,
    TokenKey,
    UriKey,
    fold,
)
from service.fhir.units import UCUM, canonical

__all__ = ["CANONICAL", "FILERS", "LARGEST", "At", "Filing", "bounded", "file_reference"]

CANONICAL = "canonical"
"""Stands as system of a quantity in UCUM base units."""
LARGEST = 1.7e308
_LONGEST_TEXT = 200
_NAME_PARTS = ("text", "family", "given", "prefix", "suffix")
_ADDRESS_PARTS = ("text", "line", "city", "district", "state", "postalCode", "country")


@dataclass(slots=True)
class Filing:
    """The keys found so far, each once, in the order found; and how dates and own addresses are read."""

    zone: ZoneInfo
    base: str
    tokens: dict[TokenKey, None] = field(default_factory=dict)
    references: dict[ReferenceKey, None] = field(default_factory=dict)
    dates: dict[DateKey, None] = field(default_factory=dict)
    strings: dict[StringKey, None] = field(default_factory=dict)
    numbers: dict[NumberKey, None] = field(default_factory=dict)
    quantities: dict[QuantityKey, None] = field(default_factory=dict)
    uris: dict[UriKey, None] = field(default_factory=dict)


class At(NamedTuple):
    """Where a value is filed: index, whether it is wide, the value's type (of a code its code system)."""

    name: str
    wide: bool
    type: str


Filer = Callable[[At, Any, int, Filing], None]
"""Files a value, which stands in a repeating part of that number (0 for none)."""


def bounded(value: Decimal | Fraction | float) -> float:
    """Answer a number as the store keeps it; beyond all measure it is the largest there is."""
    try:
        return max(-LARGEST, min(LARGEST, float(value)))
    except OverflowError:
        return LARGEST if value > 0 else -LARGEST


def _concept(at: At, value: Any, part: int, filing: Filing) -> None:
    if not isinstance(value, dict):
        return
    text = value.get("text", "")
    codings = value.get("coding", ())
    for coding in codings:
        if key := _token(at, coding, (text, coding.get("display", "")), part):
            filing.tokens[key] = None
    if text and not codings:
        filing.tokens[TokenKey(at.name, "", "", at.wide, _beside((text,)), part)] = None


def _coding(at: At, value: Any, part: int, filing: Filing) -> None:
    if isinstance(value, dict) and (key := _token(at, value, (value.get("display", ""),), part)):
        filing.tokens[key] = None


def _token(at: At, coding: Tree, texts: tuple[str, ...], part: int) -> TokenKey | None:
    system, code, text = coding.get("system", ""), coding.get("code", ""), _beside(texts)
    return TokenKey(at.name, system, code, at.wide, text, part) if code or system or text else None


def _beside(texts: tuple[str, ...]) -> str:
    """The texts beside a code as they are searched: folded, each behind a ``|``."""
    if not any(texts):
        return ""
    short = sum(map(len, texts)) < _LONGEST_TEXT  # these come again and again
    return _remembered(texts) if short else _folded(texts)


def _folded(texts: tuple[str, ...]) -> str:
    return "".join(dict.fromkeys(f"|{fold(text)[:_LONGEST_TEXT]}" for text in texts if text))


_remembered = lru_cache(maxsize=4_096)(_folded)


def _identifier(at: At, value: Any, part: int, filing: Filing) -> None:
    if not isinstance(value, dict):
        return
    system, code, type_ = value.get("system", ""), value.get("value", ""), value.get("type", {})
    if code or system:
        filing.tokens[TokenKey(at.name, system, code, at.wide, _beside((type_.get("text", ""),)), part)] = (
            None
        )
    for coding in type_.get("coding", ()) if code else ():
        of_type = f"{coding.get('code', '')}|{code}"
        filing.tokens[TokenKey(f"{at.name}:of-type", coding.get("system", ""), of_type, at.wide)] = None


def _contact_point(at: At, value: Any, part: int, filing: Filing) -> None:
    if isinstance(value, dict) and value.get("value"):
        filing.tokens[TokenKey(at.name, value.get("use", ""), value["value"], at.wide, "", part)] = None


def _code(at: At, value: Any, part: int, filing: Filing) -> None:
    if isinstance(value, str):
        filing.tokens[TokenKey(at.name, at.type, value, at.wide, "", part)] = None


def _plain_token(at: At, value: Any, part: int, filing: Filing) -> None:
    if isinstance(value, bool):
        value = "true" if value else "false"
    if isinstance(value, str):
        filing.tokens[TokenKey(at.name, "", value, at.wide, "", part)] = None


def file_reference(at: At, value: Any, part: int, filing: Filing) -> None:
    """File a Reference, or a canonical or uri that names a definition, with and without its version."""
    if isinstance(value, str):
        for target in dict.fromkeys((value.partition("|")[0], value)) if at.type == "canonical" else (value,):
            filing.references[ReferenceKey(at.name, local_target(target, filing.base) or target, part)] = None
    if not isinstance(value, dict):
        return
    text = value.get("reference", "")
    target = local_target(text, filing.base) if text else ""
    if not target and text.startswith(("http://", "https://")):
        target = text
    if target:
        filing.references[ReferenceKey(at.name, target, part)] = None
    if "identifier" in value:
        _identifier(at._replace(name=f"{at.name}:identifier"), value["identifier"], part, filing)


def _moment(at: At, value: Any, part: int, filing: Filing) -> None:
    if isinstance(value, str):
        low, high = interval(value, filing.zone)
        filing.dates[DateKey(at.name, low, high, at.wide, part)] = None


def _period(at: At, value: Any, part: int, filing: Filing) -> None:
    if not isinstance(value, dict) or not value.keys() & {"start", "end"}:
        return
    low = interval(value["start"], filing.zone)[0] if "start" in value else EARLIEST
    high = interval(value["end"], filing.zone)[1] if "end" in value else LATEST
    if low < high:
        filing.dates[DateKey(at.name, low, high, at.wide, part)] = None


def _timing(at: At, value: Any, part: int, filing: Filing) -> None:
    """From the first event to the last; what is repeated is looked at by its bounds only."""
    if not isinstance(value, dict):
        return
    events = [interval(event, filing.zone) for event in value.get("event", ()) if event]
    if events:
        low, high = min(low for low, _ in events), max(high for _, high in events)
        filing.dates[DateKey(at.name, low, high, at.wide, part)] = None
    _period(at, value.get("repeat", {}).get("boundsPeriod"), part, filing)


def _string(at: At, value: Any, part: int, filing: Filing) -> None:
    if isinstance(value, str):
        filing.strings[StringKey(at.name, fold(value), value, at.wide, part)] = None


def _parts(names: tuple[str, ...]) -> Filer:
    def file(at: At, value: Any, part: int, filing: Filing) -> None:
        for name in names if isinstance(value, dict) else ():
            inner = value.get(name)
            for text in inner if isinstance(inner, list) else (inner,):
                _string(at, text, part, filing)

    return file


def _uri(at: At, value: Any, part: int, filing: Filing) -> None:
    if isinstance(value, str):
        for text in dict.fromkeys((value.partition("|")[0], value)) if at.type == "canonical" else (value,):
            filing.uris[UriKey(at.name, text, at.wide, part)] = None


def _number(at: At, value: Any, part: int, filing: Filing) -> None:
    if isinstance(value, (int, Decimal)) and not isinstance(value, bool):
        number = bounded(value)
        filing.numbers[NumberKey(at.name, number, number, at.wide, part)] = None


def _quantity(at: At, value: Any, part: int, filing: Filing) -> None:
    if isinstance(value, dict) and "value" in value:
        low, high = _compared(value["value"], value.get("comparator", ""))
        _in_units(at, value, (low, high), part, filing)


def _compared(value: Decimal | int, comparator: str) -> tuple[Any, Any]:
    """The range a quantity lies in: None where it is open, a hair off the end where that is not in it."""
    if comparator.startswith("<"):
        return None, value if comparator == "<=" else Fraction(nextafter(bounded(value), -inf))
    if comparator.startswith(">"):
        return (value if comparator == ">=" else Fraction(nextafter(bounded(value), inf))), None
    return value, value


def _range(at: At, value: Any, part: int, filing: Filing) -> None:
    if isinstance(value, dict):
        low, high = value.get("low", {}), value.get("high", {})
        _in_units(at, low or high, (low.get("value"), high.get("value")), part, filing)


def _sampled(at: At, value: Any, part: int, filing: Filing) -> None:
    """The lowest and highest of the samples (E, U and L stand for values that are not told)."""
    if not isinstance(value, dict):
        return
    origin, factor = value.get("origin", {}), Fraction(value.get("factor", 1))
    samples = [Fraction(one) for one in _samples(value.get("data", ""))]
    if samples:
        zero = Fraction(origin.get("value", 0))
        ends = zero + min(samples) * factor, zero + max(samples) * factor
        _in_units(at, origin, (min(ends), max(ends)), part, filing)


def _samples(data: str) -> Iterator[Decimal]:
    for text in data.split():
        try:
            number = Decimal(text)
        except ArithmeticError:
            continue
        if number.is_finite() and abs(number.adjusted()) < 400:
            yield number


def _in_units(at: At, unit: Tree, ends: tuple[Any, Any], part: int, filing: Filing) -> None:
    """File a range as sent, under the unit's text where that differs, and in base units where it can be."""
    low, high = ends
    if low is None and high is None:
        return
    system, code = unit.get("system", ""), unit.get("code", "")
    sent = (-LARGEST if low is None else bounded(low), LARGEST if high is None else bounded(high))
    filing.quantities[QuantityKey(at.name, system, code, *sent, at.wide, part)] = None
    if unit.get("unit", code) != code:
        filing.quantities[QuantityKey(at.name, "", unit["unit"], *sent, at.wide, part)] = None
    if system == UCUM and code:
        lower = None if low is None else canonical(low, code)
        upper = lower if high is low else None if high is None else canonical(high, code)
        known = lower or upper
        if known is not None:
            based = (bounded(lower[0]) if lower else -LARGEST, bounded(upper[0]) if upper else LARGEST)
            filing.quantities[QuantityKey(at.name, CANONICAL, known[1], *based, at.wide, part)] = None


FILERS: dict[tuple[str, str], Filer] = {
    ("token", "CodeableConcept"): _concept,
    ("token", "Coding"): _coding,
    ("token", "Identifier"): _identifier,
    ("token", "ContactPoint"): _contact_point,
    ("token", "code"): _code,
    ("token", ""): _plain_token,
    ("reference", ""): file_reference,
    ("date", "date"): _moment,
    ("date", "dateTime"): _moment,
    ("date", "instant"): _moment,
    ("date", "Period"): _period,
    ("date", "Timing"): _timing,
    ("string", "HumanName"): _parts(_NAME_PARTS),
    ("string", "Address"): _parts(_ADDRESS_PARTS),
    ("string", ""): _string,
    ("number", ""): _number,
    ("quantity", "Range"): _range,
    ("quantity", "SampledData"): _sampled,
    ("quantity", ""): _quantity,
    ("uri", ""): _uri,
}
"""By parameter type and data type; an empty data type is for all others."""
