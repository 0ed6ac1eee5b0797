"""Finding everything of a person, in every version, and what becomes of it (``operations/erasure_rules.py``).

The long look through all texts runs while others write; what they wrote meanwhile is looked through again
inside the transaction that erases. What is found here is never believed without its own text.
"""

import re
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import NamedTuple

from service.fhir.json import dump, reread
from service.operations.erasure_rules import Fate, Seen, addresses, fate_of
from service.store.asking import Asked
from service.store.contract import Version
from service.store.erasing import (
    Name,
    is_escaped,
    last_sequence,
    mentioned,
    often_written,
    referring,
    texts,
    versions,
)
from service.store.moving import KeysOf

__all__ = ["Found", "Plan", "Telling", "found_of", "look", "look_for_all", "plan"]

_STEP = 20_000
_TEXTS = 2_000
_IDS = re.compile(r"[A-Za-z0-9.-]{1,64}")
_TOLD_IN = "Provenance"
Mentions = Mapping[str, Collection[Name]]
"""By an id, the Provenances with older versions, or deleted, that have it in any of their texts."""
Telling = Callable[[int, int], object]
"""Called with how much was looked through, and how much there is."""


class Found(NamedTuple):
    """What may be of ``patient`` among versions up to number ``until``, Provenances of what is theirs too.

    ``own`` are Binaries without a security context that nothing of others leads to.
    """

    patient: str
    names: frozenset[Name]
    until: int
    own: frozenset[Name]


@dataclass(slots=True)
class Plan:
    """What becomes of what.

    ``goes`` with all its versions, ``loses`` and ``past`` with the numbers of those that name the person,
    ``seen`` with the content of each version. ``loose`` are Binaries without a security context that what
    goes leads to.
    """

    patient: str
    goes: dict[Name, list[Version]] = field(default_factory=dict)
    loses: dict[Name, list[int]] = field(default_factory=dict)
    past: dict[Name, list[int]] = field(default_factory=dict)
    seen: dict[Name, list[Seen]] = field(default_factory=dict)
    loose: set[Name] = field(default_factory=set)

    @property
    def gone(self) -> set[str]:
        """The person and what goes with them, as references name them."""
        return {f"Patient/{self.patient}", *map(str, self.goes)}

    @property
    def count(self) -> int:
        """How many versions go."""
        kept = [len(versions) for versions in self.goes.values()]
        return sum(kept) + sum(len(numbers) for numbers in (self.loses | self.past).values())


@dataclass(frozen=True, slots=True)
class _Planner:
    source: Asked
    keys_of: KeysOf
    base: str
    own: Collection[Name]
    since: int
    mentions: Mentions
    plan: Plan

    async def add(self, names: Iterable[Name]) -> bool:
        """Judge these; whether more goes than before."""
        before = len(self.plan.goes)
        for name, kept in (await versions(self.source, sorted({*names} - self.plan.goes.keys()))).items():
            seen = [
                Seen(one.version, reread(one.content), self.keys_of(one)) for one in kept if not one.deleted
            ]
            self._note(name, kept, seen, fate_of(seen, self.plan.gone, self.base, deleted=kept[-1].deleted))
        return len(self.plan.goes) > before

    async def add_binaries(self, names: Iterable[Name]) -> None:
        """Judge Binaries, those too that what goes leads to."""
        led_to = {one for name in self.plan.goes for seen in self.plan.seen[name] for one in self._led(seen)}
        await self.add({*names, *led_to})
        for name in led_to - self.plan.goes.keys():
            if (seen := self.plan.seen.get(name)) and "securityContext" not in seen[-1].tree:
                self.plan.loose.add(name)
        kept = await versions(self.source, sorted(self.plan.loose.intersection(self.own)))
        self.plan.goes |= kept

    async def add_provenances(self, names: Iterable[Name]) -> None:
        """Judge Provenances, until none goes any more: one may be about another."""
        often = await often_written(self.source, _TOLD_IN, self.since)
        while await self.add(
            [*names, *often, *self._once(), *await referring(self.source, _TOLD_IN, self.plan.gone)]
        ):
            pass

    def _once(self) -> Iterable[Name]:
        """Those that told, in an older version perhaps, of something that goes."""
        return {one for name in self.plan.goes for one in self.mentions.get(name.id, ())}

    def _led(self, seen: Seen) -> Iterable[Name]:
        """The Binaries that a version leads to."""
        found = (Name(*one.split("/")) for one in addresses(seen.tree, self.base))
        return (one for one in found if one.type == "Binary")

    def _note(self, name: Name, kept: list[Version], seen: list[Seen], fate: Fate) -> None:
        plan = self.plan
        plan.seen[name] = seen
        for former in (plan.loses, plan.past):
            former.pop(name, None)
        if fate == "goes":
            plan.goes[name] = kept
        elif fate != "stays":
            naming = [one.number for one in seen if addresses(one.tree, self.base) & plan.gone]
            (plan.loses if fate == "loses" else plan.past)[name] = naming


async def look(source: Asked, patient: str, keys_of: KeysOf, base: str, told: Telling) -> Found:
    """Look through all there is for a person."""
    until = await last_sequence(source)
    names = await _looked(source, [patient], 0, until, told)
    often = await often_written(source, _TOLD_IN)
    return await found_of(source, patient, names.union(often), until, keys_of, base, told)


async def look_for_all(
    source: Asked, people: Collection[str], until: int
) -> tuple[dict[str, frozenset[Name]], Mentions]:
    """Look once through all there is, up to a number, for several people: what may be of each.

    Each text is read once, however many they are: its words that could be an id are held against theirs.
    """
    names: dict[str, set[Name]] = {one: set() for one in people}
    mentions: dict[str, set[Name]] = defaultdict(set)
    often = {*await often_written(source, _TOLD_IN)}
    for low in range(0, until, _TEXTS):
        for name, text in await texts(source, low, min(low + _TEXTS, until)):
            plain = dump(reread(text.encode())).decode() if is_escaped(text) else text
            words = _IDS.findall(plain)
            for one in names.keys() & words:
                names[one].add(name)
            for one in words if name in often else ():
                mentions[one].add(name)
    return {one: frozenset(found) for one, found in names.items()}, mentions


async def found_of(  # noqa: PLR0913, PLR0917 - what was looked for, and what it is judged by
    source: Asked,
    patient: str,
    names: frozenset[Name],
    until: int,
    keys_of: KeysOf,
    base: str,
    told: Telling,
    mentions: Mentions = MappingProxyType({}),
) -> Found:
    """What may be of a person, where ``names`` have their id in them; Binaries are looked for as well."""
    first = await _planned(source, Found(patient, names, until, frozenset()), names, keys_of, base, mentions)
    names = names.union(one for one in first.seen if one.type == _TOLD_IN)
    if not first.loose:
        return Found(patient, names, until, frozenset())
    others = await _looked(source, [f"Binary/{one.id}" for one in first.loose], 0, until, told)
    shared = {
        address
        for kept in (await versions(source, sorted(others - first.goes.keys()))).values()
        for one in kept
        if not one.deleted
        for address in addresses(reread(one.content), base)
    }
    return Found(patient, names, until, frozenset(one for one in first.loose if str(one) not in shared))


async def plan(source: Asked, found: Found, keys_of: KeysOf, base: str) -> Plan:
    """Say what becomes of what, as ``source`` sees it now."""
    until = await last_sequence(source)
    since = await _looked(source, [found.patient], found.until, until, _nothing)
    return await _planned(source, found, found.names | since, keys_of, base, {})


async def _planned(  # noqa: PLR0913, PLR0917 - what a plan is made from
    source: Asked, found: Found, names: Collection[Name], keys_of: KeysOf, base: str, mentions: Mentions
) -> Plan:
    planner = _Planner(source, keys_of, base, found.own, found.until, mentions, Plan(found.patient))
    person = Name("Patient", found.patient)
    kinds = {kind: [name for name in names if name.type == kind] for kind in ("Binary", _TOLD_IN)}
    await planner.add([person, *(name for name in names if name.type not in kinds)])
    await planner.add_binaries(kinds["Binary"])
    await planner.add_provenances(kinds[_TOLD_IN])
    return planner.plan


async def _looked(source: Asked, words: list[str], after: int, until: int, told: Telling) -> frozenset[Name]:
    found: set[Name] = set()
    for low in range(after, until, _STEP):
        high = min(low + _STEP, until)
        found.update(await mentioned(source, words, low, high))
        told(high - after, until - after)
    return frozenset(found)


def _nothing(_done: int, _all: int) -> None:
    """Nobody is told."""
