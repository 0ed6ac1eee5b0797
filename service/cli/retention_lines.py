"""What ``retention`` prints."""

import json
from collections.abc import Iterator, Mapping
from datetime import date, timedelta
from functools import cache
from typing import Any

from service.cli.retention_work import Report
from service.jobs.erasure import Erasure
from service.jobs.holds import Hold
from service.jobs.retention import Counts
from service.operations.retention_periods import Periods
from service.shipped import shipped

__all__ = ["aged_lines", "backup_line", "erased_lines", "listed_lines", "stays_lines"]

_SHOWN = 20


@cache
def _policy() -> Any:
    return json.loads(shipped("mappings", "policies", "retention.json").read_text("utf-8"))


def erased_lines(report: Report) -> Iterator[str]:
    """What goes, or went, and what somebody has to do about it."""
    erased = report.erased
    by_type = ", ".join(f"{count} {type_}" for type_, count in erased.resources.items())
    count = sum(erased.resources.values())
    yield f"{count} resources ({by_type or 'none'}), {erased.versions} versions, {erased.visits} visit keys."
    yield from _listed("stay for others, without this person", erased.loses)
    yield from _listed("stay for others, without their older versions", erased.past)
    yield from _listed("to be read by somebody, as a program can't judge them", erased.to_read)
    for address in report.received:
        yield f"delivered before, ask them to erase it: {address}"
    for id_ in report.released:
        yield f"released for research as Patient/{id_}: ask who holds a release to leave it out"


def stays_lines() -> Iterator[str]:
    """What is not erased, and why."""
    for one in _policy()["stays"]:
        yield f"stays: {one['what']}. {one['why']}"


def backup_line(days: int, today: date) -> str:
    """Until when backups still hold who was erased."""
    if not days:
        return (
            "Backups made before now still hold this person, as long as they are kept "
            "(SWALLOW_RETENTION_BACKUP_DAYS); restoring one erases them again."
        )
    until = today + timedelta(days=days)
    return f"Backups made before now still hold this person until {until}; restoring one erases them again."


def listed_lines(
    holds: Mapping[str, Hold], erasures: Mapping[str, Erasure], periods: Periods
) -> Iterator[str]:
    """Holds, erasures and periods."""
    for patient, one in holds.items():
        yield f"held    Patient/{patient}  {one.at}  {one.by}  {one.reason}"
    for patient, was in erasures.items():
        count = f"{was.resources} resources, {was.versions} versions"
        yield f"erased  Patient/{patient}  {was.at}  {was.by}  for {was.asked_by}: {was.reason}  ({count})"
        for address in was.delivered:
            yield f"        delivered before to {address}"
    yield f"{len(holds)} holds, {len(erasures)} erasures."
    for what, days in _periods(periods):
        yield f"{what}: {f'{days} days' if days else 'kept for ever'}"


def aged_lines(counts: Counts, *, rehearsed: bool) -> Iterator[str]:
    """What was taken away, or would be."""
    yield (
        f"{counts.people} people, {counts.deleted} versions of deleted resources, {counts.superseded} "
        f"versions that were replaced, {counts.audited} AuditEvents {'would go' if rehearsed else 'went'}."
    )
    if counts.held:
        yield f"{counts.held} people or versions stay because of a hold."


def _periods(periods: Periods) -> Iterator[tuple[str, int]]:
    yield "people, after their last contact", periods.person
    yield "deleted resources", periods.deleted
    yield "versions that were replaced", periods.superseded
    yield "AuditEvents", periods.audit


def _listed(what: str, names: list[str]) -> Iterator[str]:
    if names:
        more = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
        yield f"{what}: {', '.join(names[:_SHOWN])}{more}"
