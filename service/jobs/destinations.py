"""The destinations of a service: those of a file of the site, and those that were added by command."""

from dataclasses import dataclass
from pathlib import Path

import msgspec

from service.errors import Conflict, NotFound
from service.jobs.destination import Destination
from service.jobs.destination_reading import read_destinations
from service.store import destinations as standing
from service.store.entries import Entry, Opened, listed, taken_away

__all__ = ["Destinations"]


@dataclass(frozen=True, slots=True)
class Destinations:
    """The destinations of the database ``store`` belongs to. One of ``file`` wins over an added one."""

    store: Opened
    file: str = ""

    async def all(self) -> list[Destination]:
        """Answer all of them, by name."""
        filed = {one.name: one for one in read_destinations(Path(self.file))} if self.file else {}
        standings = await standing.standings(self.store)
        for name in filed.keys() - standings.keys():
            await standing.begin(self.store, name)
        rows = await self.store.ask(listed("destination"))
        added = {name: msgspec.json.decode(content, type=Destination) for _, name, _, content in rows}
        return [one for _, one in sorted((added | filed).items())]

    async def named(self, name: str) -> Destination:
        """Answer one; NotFound if there is none of that name."""
        every = await self.all()
        found = next((one for one in every if one.name == name), None)
        if found is None:
            known = ", ".join(one.name for one in every) or "none"
            raise NotFound(f"There is no destination of that name; there are: {known}.")
        return found

    async def add(self, destination: Destination) -> None:
        """Add one, or change it, and begin to deliver to it; Conflict if it stands in the file."""
        if self.file and destination.name in {one.name for one in read_destinations(Path(self.file))}:
            raise Conflict(f"{destination.name} stands in the file of SWALLOW_DESTINATIONS; change it there.")
        content = msgspec.json.encode(destination).decode()
        await self.store.enter(Entry("destination", destination.name, 0, content))
        await standing.begin(self.store, destination.name)

    async def remove(self, name: str) -> None:
        """Remove one and all that is kept of it; what it has stays there."""
        found = await self.named(name)
        if self.file and name in {one.name for one in read_destinations(Path(self.file))}:
            raise Conflict(f"{name} stands in the file of SWALLOW_DESTINATIONS; take it out there first.")
        await self.store.do(taken_away("destination", name))
        await standing.end(self.store, name, found.feed)
