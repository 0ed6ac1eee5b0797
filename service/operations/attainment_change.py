"""Change between two sets of trials, and between phases, as parts of the computed answer."""

from service.attainment.answers import Change
from service.attainment.change import Apart, Paired
from service.attainment.phases import Overlap
from service.operations.parts import (
    Part,
    group,
    number,
    part,
    percent,
    points,
    quantity,
    span,
    text,
)

__all__ = ["change_parts", "overlap_parts", "since_baseline_parts"]


def change_parts(pairs: Paired | None, apart: Apart | None) -> list[Part]:
    """The block after training against the probe; nothing where there are not two blocks to compare."""
    return [group("change", _compared(pairs, apart))] if pairs or apart else []


def since_baseline_parts(found: Change, unit: str) -> list[Part]:
    """The latest value against the baseline, in the measure's unit."""
    return [
        part("from", valueDate=found.before.day.isoformat()),
        part("to", valueDate=found.after.day.isoformat()),
        part("difference", valueQuantity=quantity(found.difference, unit)),
        *_compared(found.by_posture, found.apart, difference=False),
    ]


def overlap_parts(found: Overlap) -> list[Part]:
    """What was measured before anything began against what was measured after."""
    return [
        part("baselineValues", valueUnsignedInt=found.m),
        part("laterValues", valueUnsignedInt=found.n),
        part("standard", valueString=found.standard),
        *number("nap", found.nap),
        *number("napError", found.error),
        *number("tau", found.tau),
        *number("tauU", found.tau_u),
        *number("tauUBothTrends", found.tau_u_both),
        *points("pnd", found.pnd),
        *points("pem", found.pem),
        *text("reason", found.reason),
        part("method", valueString=found.method),
    ]


def _compared(pairs: Paired | None, apart: Apart | None, *, difference: bool = True) -> list[Part]:
    """Trials paired by posture, else as separate trials; p only from six on, with the sentence otherwise."""
    found = pairs or apart
    if found is None:
        return []
    return [
        part("paired", valueBoolean=pairs is not None),
        *(_pairs(pairs) if pairs else ()),
        *(points("difference", found.difference.difference) if difference else ()),
        *span("interval", percent(found.difference.interval), "%"),
        *number("p", found.p),
        *text("reason", found.difference.reason or found.reason),
        part("method", valueString=found.method),
    ]


def _pairs(found: Paired) -> list[Part]:
    cells = {"both": found.both, "gained": found.gained, "lost": found.lost, "neither": found.neither}
    return [part(name, valueUnsignedInt=count) for name, count in cells.items()]
