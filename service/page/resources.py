"""A stored resource as it was written, for those who want to see what a number rests on."""

from dataclasses import dataclass

import msgspec

from service.errors import NotFound
from service.interactions.read import there
from service.security.principal import Principal
from service.security.scopes import require
from service.store.contract import Store

__all__ = ["SHOWN", "ResourceView", "resource_view"]

SHOWN = frozenset({"Observation", "Goal", "Encounter", "Provenance"})
"""Types that stand behind what the pages show."""


@dataclass(frozen=True, slots=True)
class ResourceView:
    """``name`` is ``Type/id``; ``text`` its JSON, indented; ``version`` and ``stored`` say which it is."""

    name: str
    version: int
    stored: str
    text: str


async def resource_view(store: Store, type_: str, id_: str, caller: Principal) -> ResourceView:
    """Read one resource for a caller whose scopes allow reading its type; NotFound for any other type."""
    if type_ not in SHOWN:
        raise NotFound("There is no page at this address.")
    require(caller.scopes, [f"{type_}.r"])
    version = there(await store.read(type_, id_), f"{type_}/{id_[:64]}")
    # white space alone is changed; numbers keep their text
    text = msgspec.json.format(version.content, indent=2).decode()
    return ResourceView(f"{type_}/{id_}", version.version, version.last_updated, text)
