"""The same questions asked of the whole tree of a resource, the slow and plain way."""

from decimal import Decimal
from fractions import Fraction

from service.fhir.canonical import code_system, extension

OWN = tuple(code_system(f"swallow-{name}") for name in ("observation", "value", "exercise"))


def own_code(concept):
    codes = [one.get("code", "") for one in (concept or {}).get("coding", ()) if one.get("system") in OWN]
    return codes[0] if codes else ""


def code_in(concept, system):
    codes = [one.get("code", "") for one in (concept or {}).get("coding", ()) if one.get("system") == system]
    return codes[0] if codes else ""


def measured(value):
    if (
        value is None
        or abs(Decimal(value)) >= 10**13
        or (value != 0 and abs(Decimal(value)) < Decimal("1E-12"))
    ):
        return None
    found = Fraction(value)
    return found if 10**12 % found.denominator == 0 else None


def number(element, unit=""):
    if "valueInteger" in element:
        return measured(element["valueInteger"])
    quantity = element.get("valueQuantity", {})
    value, code = measured(quantity.get("value")), quantity.get("code")
    factor = 1 if not unit or code == unit else 60 if (code, unit) == ("min", "s") else None
    return None if value is None or factor is None else factor * value


def whole(element):
    value = number(element)
    return int(value) if value is not None and value.denominator == 1 else None


def effective(observation):
    return (
        observation.get("effectiveDateTime")
        or observation.get("effectivePeriod", {}).get("start")
        or observation.get("effectiveInstant", "")
    )


def component(observation, code):
    found = [one for one in observation.get("component", ()) if own_code(one.get("code")) == code]
    return found[0] if found else {}


def extensions(element, name):
    return [one for one in element.get("extension", ()) if one.get("url") == extension(name)]
