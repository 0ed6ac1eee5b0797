"""De-identified resources of everybody who permits research, as NDJSON that streams.

Two passes over the people. The first looks at how many are alike in what could tell them apart, and so
decides how wide each is described and who may not leave (people of invented test data are counted, never held
back); by some policies nobody leaves then. The second sends them, in random order, one person in memory at a
time. Every resource is validated as it leaves; one that is not valid stays, and nothing points at it.

What the vault does not hold can't be undone: ids are drawn at random and nothing else that identifies leaves.
"""

import hashlib
import re
from collections import Counter, deque
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service import __version__
from service.deidentify.cells import SMALLEST_TOLD
from service.deidentify.pseudonyms import Pseudonyms
from service.deidentify.small_cells import alone
from service.errors import InvalidInput
from service.fhir import json
from service.jobs.research_classes import Crowd, Member
from service.jobs.research_person import Outcome, Person
from service.jobs.research_policies import Variant, load_variant
from service.jobs.research_provenance import provenance
from service.jobs.research_releases import Release, Releases
from service.jobs.research_report import Report
from service.jobs.research_source import ResearchSource
from service.jobs.research_work import Work
from service.jobs.vault import Kept, Vault
from service.store.pages import observations

__all__ = ["CHANGED", "NO_PATIENT", "TOO_FEW_ALIKE", "Computed", "Request", "ResearchExport", "usable"]

TOO_FEW_ALIKE = "Too few people are alike in age, sex, place, conditions and years; this person is left out."
NO_PATIENT = "The Patient resource can't be de-identified; this person is left out."
CHANGED = "What is stored of this person changed during the export; this person is left out."
_TELLS_APART = ("Condition", "Encounter")
_RATER = re.compile(rb'"reference"\s*:\s*"(Practitioner(?:Role)?/[A-Za-z0-9.-]{1,64})')
Computed = Callable[[str], Awaitable[Sequence[dict[str, Any]]]]
"""Answers further resources about the person with this id."""
_APPROVAL = re.compile(r"[\w ./:()-]{0,80}")


@dataclass(frozen=True, slots=True)
class Request:
    """What is asked for. ``approval`` names the agreement, determination or vote it rests on.

    ``open``: for everybody, not for known recipients alone.
    """

    variant: str
    now: datetime
    approval: str = ""
    open: bool = False


def usable(request: Request) -> Variant:
    """Answer the policy of a request.

    InvalidInput for a variant that is not offered, a release that it can't be, or an approval that is missing
    or can't be printed.
    """
    variant = load_variant(request.variant)
    if request.open and not variant.may_be_open:
        raise InvalidInput(f"By the policy {request.variant} nothing is released to everybody.")
    if not _APPROVAL.fullmatch(request.approval):
        raise InvalidInput("An approval is named by 80 letters, digits and ./:()- at most.")
    if variant.needs_approval and not request.approval:
        raise InvalidInput(
            f"By the policy {request.variant} data leave under an agreement or a determination "
            "alone; name it as the approval."
        )
    return variant


class ResearchExport:
    """One export: ``async for line in export`` gives its lines (bytes), then ``export.report`` is complete.

    The first line is the Provenance of the export, the last a Parameters resource with the report.
    """

    def __init__(  # noqa: PLR0913 - each is a part of its own, given by name
        self,
        source: ResearchSource,
        request: Request,
        *,
        vault: Vault,
        releases: Releases,
        work: Work,
        computed: Computed | None = None,
        smallest: int = SMALLEST_TOLD,
    ) -> None:
        """Prepare an export as of ``request.now``, the day ages are counted from.

        ``computed`` answers what is not stored of a person and shall leave as well; ``smallest`` is the
        smallest count of people left out that the report tells.

        Raises InvalidInput for a request that is not ``usable``.
        """
        self._source = source
        self._request = request
        self._variant = variant = usable(request)
        self._day = request.now.date()
        self._vault = vault
        self._raters = vault.raters()
        self._shifts: dict[str, int] = {}
        self._releases = releases
        self._work = work
        self._computed = computed
        self._crowd: Crowd | None = None
        self._ended: dict[str, Any] = {}
        self._id = Pseudonyms({}, work.chance.getrandbits).fresh()
        self._visits: Counter[tuple[str, ...]] = Counter()
        self.report = Report(
            policy=variant.deidentify.name,
            policy_version=variant.deidentify.version,
            engine_version=__version__,
            released=self._day,
            zip3_census=variant.zip3_census,
            k_asked=variant.k_open if request.open else variant.k,
            smallest=smallest,
            project=vault.project,
            approval=request.approval,
        )

    async def __aiter__(self) -> AsyncIterator[bytes]:
        """Give the lines, each ending in a line feed."""
        digest, size = hashlib.sha256(), 0
        async for line in self._lines():
            digest.update(line)
            size += len(line)
            yield line
        self.finish(digest.hexdigest(), size)

    async def _lines(self) -> AsyncIterator[bytes]:
        await self.prepare()
        origin = provenance(self._variant.deidentify, id_=self._id, day=self._day.isoformat())
        yield _line(origin)
        async for _, text in self.resources():
            yield text + b"\n"
        yield _line(self.report.as_parameters())

    async def prepare(self) -> None:
        """First pass: decide who leaves and how; RuleViolation if by this policy nobody may."""
        crowd = self._crowd = Crowd()
        async for person, _, outcome in self._outcomes([one async for one in self._permitting()], first=True):
            if outcome.resources:
                crowd.members[person] = Member(outcome.classes, outcome.sensitive, outcome.test)
        small = "refuse" if self._request.open else self._variant.small_classes
        crowd.place(self.report.k_asked, kept_alike=small != "report")
        if small == "refuse" and (out := crowd.too_few_alike()):
            raise crowd.refusal({person: self._named(person) for person in out}, self.report.k_asked)
        crowd.describe(self.report, self._variant.document["steps"])
        self._releases.write(self._release())

    async def resources(self) -> AsyncIterator[tuple[str, bytes]]:
        """Second pass: (type, JSON text) of what leaves, people and each one's resources in random order."""
        if self._crowd is None:
            await self.prepare()
        crowd = self._crowd or Crowd()
        people = list(crowd.levels)
        self._work.chance.shuffle(people)
        wanted = [(person, crowd.levels[person]) for person in people]
        out = set(crowd.too_few_alike())
        self.report.left_out.update([TOO_FEW_ALIKE] * len(out))
        async for person, kept, outcome in self._outcomes(one for one in wanted if one[0] not in out):
            why = self._why_not(crowd.members[person], crowd.levels[person], outcome)
            if why:
                self.report.left_out[why] += 1
                continue
            self._keep(person, kept, outcome)
            self.report.resources.update(type_ for type_, _ in outcome.resources)
            self._work.chance.shuffle(outcome.resources)
            for one in outcome.resources:
                yield one
        self.report.visits_unique = alone(self._visits)

    def finish(self, sha256: str, size: int) -> None:
        """Freeze the release: what was sent to its end has this checksum and size."""
        self._ended = {"sha256": sha256, "bytes": size}
        self._releases.write(self._release(**self._ended))

    def filed(self, files: tuple[str, ...]) -> None:
        """Tell the checksums of the files that hold the lines of a release that has ended."""
        self._releases.write(self._release(**self._ended, files=files))

    def _release(self, **more: Any) -> Release:
        report = self.report
        return Release(
            self._id,
            report.project,
            report.approval,
            f"{report.policy} {report.policy_version}",
            report.engine_version,
            self._day,
            self._request.open,
            report.people,
            report.k,
            **more,
        )

    async def _permitting(self) -> AsyncIterator[tuple[str, int]]:
        """Who permits research, described as they are; withdrawals are noted with the releases before."""
        async for person, why in self._source.people():
            if why is None:
                yield person, 0
                continue
            self.report.left_out[why] += 1
            kept = self._vault.of(person)
            for release in kept.releases:
                self._releases.note(release, kept.names[f"Patient/{person}"], self._day)
            self.report.withdrawn += bool(kept.releases)

    async def _outcomes(
        self, people: Iterable[tuple[str, int]], *, first: bool = False
    ) -> AsyncIterator[tuple[str, Kept, Outcome]]:
        """What becomes of people, in their order; several are in work at once where there are processes."""
        waiting: deque[Any] = deque()
        for person, level in people:
            why = None if first else await self._source.why_left_out(person)
            if why:
                self.report.left_out[why] += 1
                continue
            kept = self._vault.of(person)
            waiting.append(
                (person, kept, self._work.start(await self._stored(person, kept, level, first=first)))
            )
            if len(waiting) > self._work.at_once:
                done, known, outcome = waiting.popleft()
                yield done, known, await outcome
        while waiting:
            done, known, outcome = waiting.popleft()
            yield done, known, await outcome

    async def _stored(self, person: str, kept: Kept, level: int, *, first: bool) -> Person:
        sensitive = self._variant.document["sensitive"]
        asked = observations(person, sensitive["system"], [sensitive["code"]])
        types = _TELLS_APART if first else self._variant.deidentify.types
        texts = await self._source.of(person, types, *((asked,) if first else ()))
        if self._variant.shifts and person not in self._shifts:
            self._shifts[person] = kept.shift or -1 - self._work.chance.randrange(365)
        if not first and texts and self._computed is not None:
            texts += map(json.dump, await self._computed(person))
        if not first and self._variant.document["rater_codes"]:
            self._draw_raters(texts)
        return Person(
            self._request.variant,
            self._day,
            texts,
            kept.names,
            self._raters,
            self._shifts.get(person, 0),
            level,
        )

    def _draw_raters(self, texts: Iterable[bytes]) -> None:
        codes = Pseudonyms(self._raters, self._work.chance.getrandbits)
        before = len(self._raters)
        for key in {found for text in texts for found in _RATER.findall(text)}:
            codes.of(key.decode())
        if len(self._raters) > before:
            self._vault.keep_raters(self._raters)

    @staticmethod
    def _why_not(member: Member, level: int, outcome: Outcome) -> str | None:
        """Why a person does not leave after all, in a sentence."""
        if not outcome.resources:
            return NO_PATIENT
        changed = outcome.classes[level] != member.classes[level]
        return CHANGED if changed and not member.test else None

    def _keep(self, person: str, kept: Kept, outcome: Outcome) -> None:
        """Keep what ties the person to the release, before anything of them is sent."""
        kept.names, kept.shift = dict(outcome.names), self._shifts.get(person, 0)
        kept.releases.append(self._id)
        self._vault.keep(person, kept)
        self.report.held_back += outcome.held_back
        self.report.people += 1
        self.report.test_people += outcome.test
        self._visits[outcome.visits] += 1

    def _named(self, person: str) -> str:
        """The random id of a Patient who may not leave, so that the clinic can find out who it is."""
        kept = self._vault.of(person)
        name = Pseudonyms(kept.names, self._work.chance.getrandbits).of(f"Patient/{person}")
        self._vault.keep(person, kept)
        return name


def _line(resource: dict[str, Any]) -> bytes:
    return json.dump(resource) + b"\n"
