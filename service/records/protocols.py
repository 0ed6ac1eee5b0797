"""Site settings of the clinic's own making: screen items, red flags, probe blocks, manoeuvres, measures.

They are data under ``mappings/protocols/`` and read once.
"""

from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from typing import Any, Literal

import msgspec

from service.shipped import shipped

__all__ = [
    "Item",
    "Manoeuvre",
    "Measure",
    "ProtocolPosture",
    "TrainingProtocol",
    "manoeuvres",
    "measures",
    "red_flag_items",
    "screen_items",
    "stop_symptoms",
    "training_protocols",
]


@dataclass(frozen=True, slots=True)
class Item:
    """One question of a checklist: its key in a record, and how it is shown."""

    key: str
    display: str
    blocks_breath_hold: bool = False


@dataclass(frozen=True, slots=True)
class ProtocolPosture:
    """A posture of the probe blocks."""

    posture: str
    jaw: str


@dataclass(frozen=True, slots=True)
class TrainingProtocol:
    """How a probe block is done: trials, postures in order, hold (s) above which a warning is given."""

    probe_trials: int
    postures: tuple[ProtocolPosture, ...]
    hold_warning_s: Decimal
    effort_limit: str | None


@dataclass(frozen=True, slots=True)
class Manoeuvre:
    """A manoeuvre and what makes it risky."""

    name: str
    breath_hold: bool
    saliva_only: bool


@dataclass(frozen=True, slots=True)
class Measure:
    """What a goal may measure: its range, its better side, its smallest step."""

    name: str
    low: Decimal
    high: Decimal
    better: Literal["higher", "lower"]
    step: Decimal


@cache
def screen_items() -> dict[str, Item]:
    """Items of the safety screen before breath-holding, by key, in the order they are asked."""
    return {item.key: item for item in _read("safety-screen.json", "items", list[Item])}


@cache
def red_flag_items() -> dict[str, Item]:
    """Items of the red-flag list asked at each visit, by key."""
    return {item.key: item for item in _read("red-flags.json", "items", list[Item])}


@cache
def stop_symptoms() -> frozenset[str]:
    """Symptoms at which practice stops and the clinic is told."""
    return frozenset(_read("stop-symptoms.json", "items", list[str]))


@cache
def training_protocols() -> dict[str, TrainingProtocol]:
    """The probe-block protocols by name."""
    protocols: dict[str, TrainingProtocol] = _read("training.json", "protocols", dict[str, TrainingProtocol])
    return protocols


@cache
def manoeuvres() -> dict[str, Manoeuvre]:
    """Manoeuvres by name."""
    return {one.name: one for one in _read("manoeuvres.json", "manoeuvres", list[Manoeuvre])}


@cache
def measures() -> dict[str, Measure]:
    """Goal measures by name."""
    return {one.name: one for one in _read("measures.json", "measures", list[Measure])}


def _read(name: str, member: str, kind: Any) -> Any:
    content = msgspec.json.decode(shipped("mappings", "protocols", name).read_bytes())
    return msgspec.convert(content[member], kind, strict=False)
