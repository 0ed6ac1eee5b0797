"""How each measure is named and drawn; which values are possible and better is not decided here."""

from collections.abc import Iterable
from math import ceil, floor

from service.attainment.goals import Value
from service.attainment.measures import MEASURES
from service.page.view_model import Measure

__all__ = ["scale"]

_NAMED = {
    scale.code: scale
    for scale in (
        Measure("closure-accuracy", "Closure before feedback", "%", 0, 100, 20, "share"),
        Measure("judgement-agreement", "Own judgement agrees with what was seen", "%", 0, 100, 20, "share"),
        Measure("judgement-bias", "Own judgement bias", "", -1, 1, 0.5, "score", "nearer 0"),
        Measure("hold-time", "Hold time, median of closed trials", "s", 0, 10, 2),
        Measure("oral-intake-level", "Oral intake level, 1 to 7", "level", 1, 7, 1, "levels"),
        Measure("eat10-total", "EAT-10 total, 0 to 40", "points", 0, 40, 10, "score", "lower"),
        Measure("practice-adherence", "Home practice done", "%", 0, 100, 20),
        Measure("airway-entry-group", "Airway entry, worst group", "group", 1, 4, 1, "levels", "lower"),
    )
}


def scale(code: str, values: Iterable[Value]) -> Measure:
    """Answer the scale of a measure, widened to hold every value; an unknown measure is drawn as it comes."""
    seen = [float(value.value) for value in values]
    if code == "body-weight":
        return _weight(seen)
    named = _NAMED.get(code)
    if named is None:
        return _plain(code, seen)
    steps = ceil((max([named.high, *seen]) - named.low) / named.step)
    return Measure(
        named.code,
        named.name,
        named.unit,
        named.low,
        named.low + steps * named.step,
        named.step,
        named.kind,
        named.better,
    )


def _weight(seen: list[float]) -> Measure:
    """Around what was weighed, in steps of 5 kg: a scale from 0 would hide what matters."""
    low, high = 5 * floor(min(seen, default=0) / 5), 5 * ceil(max(seen, default=5) / 5)
    return Measure("body-weight", "Body weight", "kg", low, max(high, low + 5), 5, better="")


def _plain(code: str, seen: list[float]) -> Measure:
    low, high = floor(min([0.0, *seen])), ceil(max([1.0, *seen]))
    better = MEASURES[code].higher_is_better if code in MEASURES else True
    name = code.replace("-", " ") or "a measure that is not computed here"
    return Measure(code, name, "", low, high, (high - low) / 4, better="higher" if better else "lower")
