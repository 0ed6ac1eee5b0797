"""The site's limits of attention cues, from its settings."""

from dataclasses import fields, replace
from fractions import Fraction
from functools import lru_cache
from typing import Any

from service.attainment.cues import CueLimits
from service.errors import InvalidInput
from service.settings import Settings

__all__ = ["cue_limits"]

_KNOWN = {field.name for field in fields(CueLimits)}


def cue_limits(settings: Settings) -> CueLimits:
    """The usual limits with what the settings say on top; InvalidInput names every one that can't be read."""
    return _read(settings.cue_limits, settings.safety_screen_days)


@lru_cache(maxsize=16)
def _read(text: str, screen_days: int) -> CueLimits:
    asked = [one.partition("=") for one in text.split()]
    if wrong := [name for name, _, value in asked if not _readable(name, value)]:
        known = ", ".join(sorted(_KNOWN))
        raise InvalidInput(
            f"SWALLOW_CUE_LIMITS can't be read at: {', '.join(wrong)}. Write name=number, name=on or "
            f"name=off; the names are {known}."
        )
    limits = CueLimits(screen_days=screen_days)
    changes: dict[str, Any] = {name: _value(limits, name, value) for name, _, value in asked}
    return replace(limits, **changes)


def _readable(name: str, value: str) -> bool:
    if name not in _KNOWN:
        return False
    if value == "off" or isinstance(getattr(CueLimits(), name), bool):
        return value in ("on", "off")
    return value.replace(".", "", 1).isdecimal()


def _value(limits: CueLimits, name: str, value: str) -> bool | int | Fraction | None:
    usual = getattr(limits, name)
    if isinstance(usual, bool):
        return value == "on"
    return None if value == "off" else Fraction(value)
