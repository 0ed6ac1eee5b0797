"""UCUM units, and quantities in base units (5 mg is 0.005 g); the only file that knows ``ucumvert``.

Source: The Unified Code for Units of Measure (ucum.org), through pint's exact fractions.
"""

import re
import threading
from decimal import Decimal
from fractions import Fraction
from functools import cache, lru_cache
from typing import Any

__all__ = ["UCUM", "canonical", "converted", "is_unit"]

UCUM = "http://unitsofmeasure.org"
_LOCK = threading.Lock()
_LONGEST = 200  # characters of a unit
_SPACED = re.compile(r"\{[^{}]*\}")  # UCUM has no spaces in annotations, FHIR's own list of common units has
_MOST_DIGITS = 400  # more than any measure; fractions of longer numbers would fill the memory
# What follows from long exponents (10*999999999) is a number nobody can hold; no real unit has them.
_UNUSABLE = re.compile(r"[*^A-Za-z\]][+-]?\d{3,}|.{65,}", re.DOTALL)
# UCUM's arbitrary units: a procedure defines each, none can be converted, not even into the unity.
_ARBITRARY = re.compile(r"'U\]|\[(?:iU|IU|CCID_50|TCID_50|EID_50|PFU|FFU|CFU|IR|BAU|AU|PNU|Lf|FEU|ELU|EU)\]")


def canonical(value: Decimal | Fraction | int, code: str) -> tuple[Fraction, str] | None:
    """Answer value and unit in base units, exactly; None for a unit that is unknown or can't be converted."""
    known = _line(code)
    beyond = isinstance(value, Decimal) and abs(value.adjusted()) > _MOST_DIGITS
    if known is None or beyond:
        return None
    factor, offset, unit = known
    return Fraction(value) * factor + offset, unit


def converted(value: Decimal | Fraction | int, code: str, to: str) -> Fraction | None:
    """A value in the unit ``to``, exactly; None if a unit is unknown or the two measure different things."""
    base, line = canonical(value, code), _line(to)
    if base is None or line is None or base[1] != line[2]:
        return None
    factor, offset, _ = line
    return (base[0] - offset) / factor


@lru_cache(maxsize=4_096)
def is_unit(code: str) -> bool:
    """Whether it is written as UCUM writes units, of its prefixes and atoms (case-sensitive form)."""
    if not 0 < len(code) <= _LONGEST:
        return False
    try:
        with _LOCK:
            _parser().parse(_SPACED.sub(lambda found: found[0].replace(" ", "_"), code))
    except Exception:  # noqa: BLE001 - the parser's errors, and Python's for what is nested too deep
        return False
    return True


@lru_cache(maxsize=4_096)
def _line(code: str) -> tuple[Fraction, Fraction, str] | None:
    """Factor, offset and base unit of a UCUM code; None also for scales that are not straight (pH, dB)."""
    if not code or _UNUSABLE.search(code) or _ARBITRARY.search(code):
        return None
    try:
        with _LOCK:
            nought, one, two = (_in_base_units(Fraction(number), code) for number in range(3))
    except Exception:  # noqa: BLE001 - the library raises its own, its parser's and Python's errors alike
        return None
    straight = two[0] - one[0] == one[0] - nought[0] != 0
    return (one[0] - nought[0], nought[0], one[1]) if straight else None


def _in_base_units(number: Fraction, code: str) -> tuple[Fraction, str]:
    registry = _registry()
    read = registry.from_ucum(code)
    unit, scale = (
        (read.units, Fraction(read.magnitude)) if hasattr(read, "magnitude") else (read, Fraction(1))
    )
    base = registry.Quantity(number * scale, unit).to_base_units()
    names = sorted((str(name), Fraction(power)) for name, power in base.unit_items())
    return Fraction(base.magnitude), ".".join(f"{name}^{power}" for name, power in names) or "1"


@cache
def _parser() -> Any:
    from ucumvert import get_ucum_parser  # noqa: PLC0415 - as below

    return get_ucum_parser()


@cache
def _registry() -> Any:
    from ucumvert import PintUcumRegistry  # noqa: PLC0415 - half a second that only a first unit costs

    return PintUcumRegistry(non_int_type=Fraction)
