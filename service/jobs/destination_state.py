"""How the destinations stand, for who runs the service; and what can be done about it."""

from dataclasses import dataclass
from datetime import datetime

import msgspec

from service.errors import NotFound
from service.fhir.datetimes import milliseconds
from service.jobs.destinations import Destinations
from service.settings import Settings
from service.store import destinations as standing
from service.store import feeds
from service.store.entries import Opened

__all__ = ["DestinationState", "Parked", "alarms", "parked", "pause", "redrive", "replay", "resume", "states"]


@dataclass(frozen=True, slots=True)
class DestinationState:
    """One destination.

    ``state`` is ``active``, ``paused`` (by somebody), or ``resting`` (by itself, after failures of the
    destination as a whole; ``rests_s`` seconds more). ``waiting`` are patients with changes that it has not,
    those that are ``parked`` among them; ``oldest_s`` is the age of the oldest such change in seconds, 0 for
    none. ``sent`` and ``failed`` count resources that arrived and tries in vain, ever, ``hourly`` those that
    arrived in this hour and in the one before. ``problem`` is what the last try met, a sentence that tells
    nothing about anybody; empty if it went well.
    """

    name: str
    kind: str
    address: str
    state: str
    waiting: int
    parked: int
    oldest_s: float
    rests_s: float
    sent: int
    failed: int
    problem: str
    hourly: tuple[int, int] = (0, 0)


@dataclass(frozen=True, slots=True)
class Parked:
    """A patient (by id) whose changes are not tried until somebody says so, and why."""

    patient: str
    problem: str


def alarms(state: DestinationState, settings: Settings) -> list[str]:
    """Answer, as sentences, what somebody should look at by the limits of the settings."""
    found = []
    if state.parked:
        found.append("1 person is parked" if state.parked == 1 else f"{state.parked} people are parked")
    if settings.delivery_alarm_seconds and state.oldest_s > settings.delivery_alarm_seconds:
        found.append(f"the oldest change has waited for {state.oldest_s:.0f} seconds")
    if settings.delivery_alarm_waiting and state.waiting > settings.delivery_alarm_waiting:
        found.append("1 person waits" if state.waiting == 1 else f"{state.waiting} people wait")
    return found


async def states(store: Opened, known: Destinations, now: datetime) -> list[DestinationState]:
    """Answer how each destination stands, by name."""
    moment = milliseconds(now)
    standings, waiting = await standing.standings(store), await standing.waiting(store)
    found = []
    for one in await known.all():
        stands = standings.get(one.name, standing.Standing())
        waits = waiting.get(one.name, standing.Waiting())
        rests = max(0, stands.rests - moment) / 1_000
        found.append(
            DestinationState(
                one.name,
                one.kind,
                one.address,
                "paused" if stands.paused else "resting" if rests else "active",
                waits.patients,
                waits.parked,
                max(0, moment - waits.since) / 1_000 if waits.patients else 0.0,
                rests,
                stands.sent,
                stands.failed,
                _said(stands.problem),
                stands.hourly(moment),
            )
        )
    return found


async def parked(store: Opened, known: Destinations, name: str) -> list[Parked]:
    """Answer of whom nothing is tried, and why; NotFound if there is no such destination."""
    await known.named(name)
    return [Parked(patient, _said(problem)) for patient, problem in await feeds.parked(store, name)]


async def pause(store: Opened, known: Destinations, name: str) -> None:
    """Send nothing there any more; NotFound if there is no such destination."""
    await known.named(name)
    await standing.pause(store, name, paused=True)


async def resume(store: Opened, known: Destinations, name: str) -> None:
    """Send again, at once, whatever was met before; NotFound if there is no such destination."""
    await known.named(name)
    await standing.pause(store, name, paused=False)


async def redrive(store: Opened, known: Destinations, name: str, patient: str | None = None) -> int:
    """Try again at once what is parked or put off, of one patient or of all; answers of how many.

    NotFound if there is no such destination, or nothing waits for it of that patient.
    """
    await known.named(name)
    count = await standing.redrive(store, name, patient)
    if patient is not None and not count:
        raise NotFound("Nothing of this patient waits for this destination.")
    return count


async def replay(store: Opened, known: Destinations, name: str, since: datetime) -> int:
    """Send again what was written since a time and was sent before; answers of how many patients."""
    await known.named(name)
    return await standing.replay(store, name, milliseconds(since))


def _said(problem: str) -> str:
    return str(msgspec.json.decode(problem)["message"]) if problem else ""
