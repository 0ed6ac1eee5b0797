"""Erasing as the command does it: with its AuditEvents, and with what lies beside the database."""

from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass

from service.cli.local import found_by, machine_user, now
from service.errors import Conflict, ServiceError, StoreUnavailable
from service.fhir.datetimes import instant, milliseconds
from service.jobs.bulk_job import Exports
from service.jobs.destinations import Destinations
from service.jobs.erasure import Erased, Eraser, Erasure, erasures
from service.jobs.erasure_elsewhere import REGISTER, read_register, write_register
from service.jobs.erasure_plan import Found, Telling
from service.jobs.research_place import releases_in, vaults_in
from service.jobs.research_releases import released_as, withdraw
from service.security.audit import Facts
from service.security.audit_event import events_of
from service.settings import Settings
from service.store.archive import Movable
from service.store.audit import Event
from service.store.feeds import receivers

__all__ = ["Report", "Wish", "Work", "eraser_for", "refusal_told", "told_of"]


@dataclass(frozen=True, slots=True)
class Wish:
    """Why somebody is erased: in words, who wants it (a kind), the command, and a code of v3-ActReason."""

    reason: str
    asked_by: str
    command: str = "erase"
    purpose: str = "PATADMIN"


@dataclass(frozen=True, slots=True)
class Report:
    """What was erased, who received something of it, and the ids under which research released it."""

    patient: str
    erased: Erased
    received: list[str]
    released: list[str]


@asynccontextmanager
async def refusal_told(store: Movable, events: list[Event]) -> AsyncIterator[None]:
    """Record that what is done here was refused, if it is."""
    try:
        yield
    except ServiceError:
        await store.audit(events)
        raise


def told_of(
    command: str, subtype: str, reason: str, purpose: str, *names: str, status: int = 200
) -> list[Event]:
    """The AuditEvents of what the command does, or of its refusal (``status`` 500).

    ``subtype`` is a code of iso-21089-lifecycle, ``purpose`` one of v3-ActReason; ``names`` are ``Type/id``.
    """
    facts = Facts(
        subtype=subtype,
        action="D" if subtype == "destroy" else "E",
        command=f"retention {command}",
        kind="110110",
        agent=machine_user(),
        purpose=purpose,
        reason=reason,
    )
    for name in names:
        type_, _, id_ = name.partition("/")
        (facts.patients if type_ == "Patient" else facts.named)[id_ if type_ == "Patient" else name] = None
    return events_of(facts, status)


def eraser_for(settings: Settings) -> Eraser:
    """Knows what versions are found by at this site."""
    return Eraser(found_by(settings), f"{settings.base_url}/fhir" if settings.base_url else "")


@dataclass(frozen=True, slots=True)
class Work:
    """Erases from the store of the settings."""

    store: Movable
    settings: Settings
    eraser: Eraser

    async def rehearse(self, patient: str, told: Telling) -> Report:
        """Say what ``erase`` would do, and do nothing."""
        found = await self.eraser.look(self.store, patient, told)
        received = await self._received(patient)
        return self._report(patient, await self.eraser.rehearse(self.store, found), received)

    async def clean(self) -> bool:
        """Take away what is left of those who were erased; whether nobody kept it from that."""
        try:
            await self.store.archive("sweep", lambda archive: archive.sweep())
        except StoreUnavailable:
            return False
        return await self.store.scrub()

    async def erase(self, patient: str, wish: Wish, told: Telling) -> Report:
        """Erase a person here, and forget them in the vault, bulk exports and the register."""
        report = await self._erase(await self.eraser.look(self.store, patient, told), wish)
        write_register(self.settings.data_dir, await erasures(self.store))
        return report

    async def erase_all(self, people: Sequence[str], wish: Wish) -> int:
        """Erase several people, who take one look through all there is; answers how many.

        Whoever was put under a hold meanwhile stays.
        """
        done = 0
        async for found in self.eraser.look_for_all(self.store, people):
            with suppress(Conflict):
                await self._erase(found, wish)
                done += 1
        write_register(self.settings.data_dir, await erasures(self.store))
        return done

    async def catch_up(self) -> None:
        """Forget outside of the database whom somebody erased who was killed before they had done so."""
        folder, known = self.settings.data_dir, await erasures(self.store)
        register = folder / REGISTER
        written = read_register(register) if register.exists() else {}
        for patient in known.keys() - written.keys():
            self._forget(patient)
        if known.keys() - written.keys():
            write_register(folder, known)

    async def _erase(self, found: Found, wish: Wish) -> Report:
        patient = found.patient
        erasure = Erasure(instant(milliseconds(now())), wish.reason, wish.asked_by, machine_user())
        events = told_of(wish.command, "destroy", wish.reason, wish.purpose, f"Patient/{patient}")
        addresses, received = await self._addresses(), await self._received(patient)
        refused = told_of(
            wish.command, "destroy", wish.reason, wish.purpose, f"Patient/{patient}", status=500
        )
        async with refusal_told(self.store, refused):
            erased = await self.eraser.erase(self.store, found, erasure, events, addresses)
        report = self._report(patient, erased, received)
        self._forget(patient)
        return report

    def _forget(self, patient: str) -> None:
        """Have the vault and bulk exports forget a person; again does no harm."""
        folder = self.settings.data_dir
        vaults = vaults_in(folder, self.settings.vault_key_file)
        withdraw(vaults, releases_in(folder), patient, now().date())
        Exports(self.settings.export_folder).forget(patient)

    async def _addresses(self) -> dict[str, str]:
        known = Destinations(self.store, self.settings.destinations)
        return {one.name: one.address for one in await known.all()}

    async def _received(self, patient: str) -> list[str]:
        """Where something of a person was delivered to."""
        addresses = await self._addresses()
        return [addresses.get(name, name) for name in await receivers(self.store, patient)]

    def _report(self, patient: str, erased: Erased, received: list[str]) -> Report:
        folder = self.settings.data_dir
        released = released_as(vaults_in(folder, self.settings.vault_key_file), patient)
        return Report(patient, erased, received, released)
