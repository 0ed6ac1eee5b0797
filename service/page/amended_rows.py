"""What an amendment changed of a signed visit, as lines: the part, the element, before, now, who and when."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from service.fhir.references import local_target
from service.interactions.context import Action
from service.operations.signed_changes import PartChange, signed_changes
from service.page.called import called
from service.security.principal import Principal
from service.security.scopes import require
from service.store.contract import Store

__all__ = ["AmendedRow", "AmendedView", "amended_view"]


@dataclass(frozen=True, slots=True)
class AmendedRow:
    """One element of a part; ``before`` and ``now`` are empty where it says nothing."""

    what: str
    element: str
    before: str
    now: str
    by: str


@dataclass(frozen=True, slots=True)
class AmendedView:
    """What changed since ``signed``, a moment in words; empty if nothing was amended."""

    signed: str = ""
    rows: tuple[AmendedRow, ...] = ()


@dataclass(frozen=True, slots=True)
class _Asking:
    caller: Principal
    base: str = ""

    def allow(self, action: Action, type_: str) -> None:
        """Forbidden if the caller's scopes do not open it."""
        require(self.caller.scopes, [f"{type_}.{action}"])


async def amended_view(store: Store, encounter: str, caller: Principal, zone: ZoneInfo) -> AmendedView:
    """What the operation answers, with names for references."""
    found = await signed_changes(store, encounter, context=_Asking(caller))
    if not found.signed:
        return AmendedView()
    people = {who for part in found.parts for who in part.who}
    names = {one: await called(store, local_target(one)) or one for one in people}
    rows = (row for part in found.parts for row in _rows(part, names, zone))
    return AmendedView(_moment(found.at, zone), tuple(rows))


def _rows(part: PartChange, names: dict[str, str], zone: ZoneInfo) -> Iterable[AmendedRow]:
    who = "; ".join(names[one] for one in part.who) or "not recorded"
    what = f"{part.what} ({part.place})" if part.place else part.what
    what = what if part.kind == "changed" else f"{what}: {part.kind}"
    by = f"{who}, {_moment(part.when, zone)}"
    return (AmendedRow(what, one.path, one.before, one.after, by) for one in part.elements)


def _moment(text: str, zone: ZoneInfo) -> str:
    moment = datetime.fromisoformat(text).astimezone(zone)
    return f"{moment.day} {moment:%b %Y, %H:%M}"
