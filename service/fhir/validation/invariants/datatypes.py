"""Invariants of the general-purpose and metadata data types."""

from decimal import Decimal

from service.fhir.json import Tree
from service.fhir.units import UCUM
from service.fhir.validation.invariants.comparing import dates_in_order, quantities_in_order
from service.fhir.validation.invariants.conditions import (
    Rule,
    at_least_one,
    exactly_one,
    needs,
    not_both,
    plain,
)
from service.fhir.validation.reading import number, text, there

__all__ = ["RULES"]

_NOT_AROUND_AN_EVENT = ("C", "CM", "CD", "CV")  # the meals themselves: nothing comes before or after them


def _measured_in_ucum(node: Tree) -> bool:
    has_code = there(node, "code") or not there(node, "value")
    return has_code and (not there(node, "system") or node.get("system") == UCUM)


def _age(node: Tree, _resource: Tree, _root: Tree) -> bool:
    value = number(node, "value")
    return _measured_in_ucum(node) and (value is None or value > 0)


def _count(node: Tree, _resource: Tree, _root: Tree) -> bool:
    value = number(node, "value")
    whole = not isinstance(value, Decimal) or "." not in f"{value:f}"
    return _measured_in_ucum(node) and whole and (not there(node, "code") or node.get("code") == "1")


def _distance(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return _measured_in_ucum(node)


def _duration(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return not there(node, "code") or (node.get("system") == UCUM and there(node, "value"))


def _without_comparator(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return "comparator" not in node and "_comparator" not in node


def _start_before_end(node: Tree, _resource: Tree, _root: Tree) -> bool:
    start, end = text(node, "start"), text(node, "end")
    # an end includes every time it matches: a period may start at ten on the day it ends
    return dates_in_order(start or None, end or None, surely=len(start) <= len(end))


def _low_below_high(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return "low" not in node or "high" not in node or quantities_in_order(node["low"], node["high"])


def _whole_ratio(node: Tree, _resource: Tree, _root: Tree) -> bool:
    upper = "numerator" in node
    return upper == ("denominator" in node) and (upper or "extension" in node)


def _duration_not_negative(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return (number(node, "duration") or 0) >= 0


def _period_not_negative(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return (number(node, "period") or 0) >= 0


def _offset_from_an_event(node: Tree, _resource: Tree, _root: Tree) -> bool:
    if not there(node, "offset"):
        return True
    return there(node, "when") and not any(one in _NOT_AROUND_AN_EVENT for one in node.get("when", ()))


def _trigger_complete(node: Tree, _resource: Tree, _root: Tree) -> bool:
    kind = text(node, "type")
    if not kind:  # any of the three
        return there(node, "name") and _has_timing(node) and "data" in node
    if kind == "named-event":
        return there(node, "name")
    if kind == "periodic":
        return _has_timing(node)
    return not kind.startswith("data-") or "data" in node


def _has_timing(node: Tree) -> bool:
    return there(node, "timingTiming", "timingReference", "timingDate", "timingDateTime")


RULES: dict[str, Rule] = {
    "age-1": plain(_age),
    "att-1": needs("data", "contentType"),
    "cnt-3": plain(_count),
    "cpt-2": needs("value", "system"),
    "dis-1": plain(_distance),
    "drq-1": exactly_one("path", "searchParam"),
    "drq-2": exactly_one("path", "searchParam"),
    "drt-1": plain(_duration),
    "exp-1": at_least_one("expression", "reference"),
    "ext-1": exactly_one("extension", "value"),
    "per-1": plain(_start_before_end),
    "qty-3": needs("code", "system"),
    "rat-1": plain(_whole_ratio),
    "rng-2": plain(_low_below_high),
    "sqty-1": plain(_without_comparator),
    "tim-1": needs("duration", "durationUnit"),
    "tim-2": needs("period", "periodUnit"),
    "tim-4": plain(_duration_not_negative),
    "tim-5": plain(_period_not_negative),
    "tim-6": needs("periodMax", "period"),
    "tim-7": needs("durationMax", "duration"),
    "tim-8": needs("countMax", "count"),
    "tim-9": plain(_offset_from_an_event),
    "tim-10": not_both("timeOfDay", "when"),
    "trd-1": not_both("data", "timing"),
    "trd-2": needs("condition", "data"),
    "trd-3": plain(_trigger_complete),
}
