"""Flags are settled like goals: a newer checklist or clearance ends the flags of the one before."""

from collections.abc import Sequence
from zoneinfo import ZoneInfo

from service.records.parts import identifiers, moment_of
from service.records.stored import Resource, code_of

__all__ = ["settled_flag", "statement_times"]

_SOURCES = {"clearance": "breath-hold-clearance", "red-flags": "red-flag-checklist"}
"""Path of a flag below its record, and the code of the Observation that it follows from."""


def statement_times(flag: Resource, observations: Sequence[Resource]) -> list[str]:
    """When a decision was taken or a list asked that speaks of the same thing as ``flag``."""
    paths = [value.split("/") for _, value in identifiers(flag)]
    code = next((_SOURCES.get(path[1], "") for path in paths if len(path) == 3), "")
    return [one["effectiveDateTime"] for one in observations if code and code_of(one.get("code")) == code]


def settled_flag(
    flag: Resource, after: Sequence[str], zone: ZoneInfo, *, stored: Resource | None, before: Sequence[str]
) -> Resource:
    """The flag, ended by the next statement after it; active without any.

    ``after`` are the times of all statements from now on, ``before`` those that led to ``stored``. A stored
    state that ``before`` does not explain was written over FHIR and stays.
    """
    if stored is not None and _state(stored) != _settled(stored, before, zone):
        status, end = _state(stored)
    else:
        status, end = _settled(flag, after, zone)
    period = {name: value for name, value in flag["period"].items() if name != "end"}
    return {**flag, "status": status, "period": {**period, "end": end} if end else period}


def _state(flag: Resource) -> tuple[str, str]:
    return flag["status"], flag.get("period", {}).get("end", "")


def _settled(flag: Resource, times: Sequence[str], zone: ZoneInfo) -> tuple[str, str]:
    since = moment_of(flag["period"]["start"], zone)
    later = sorted((moment_of(time, zone), time) for time in times if moment_of(time, zone) > since)
    return ("inactive", later[0][1]) if later else ("active", "")
