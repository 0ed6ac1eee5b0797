"""``Measure/$evaluate-measure``: how many people attained their goals in a period.

Every person is computed as ``$goal-attainment`` would, one after another, and only counted: memory does not
grow with the people, time grows as they do. What takes longer than is allowed is refused, never cut short.
"""

import asyncio
from collections.abc import AsyncIterator, Iterable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

from service.attainment.cohort import Case, Cohort, Span, cases
from service.deidentify.cells import SMALLEST_TOLD
from service.errors import Gone, InvalidInput, Issue, IssueType, NotFound, Place, TooCostly
from service.fhir.datetimes import interval
from service.fhir.json import dump, reread
from service.fhir.references import local_target
from service.fhir.search_keys import extract
from service.fhir.search_parameters import parameters
from service.fhir.search_query import Clause, ReferenceValue, TokenValue
from service.interactions.context import Context
from service.operations.arguments import Arguments
from service.operations.goal_attainment import READS, compute
from service.operations.measure_report import Kind, Report, report
from service.operations.measures import COHORT, measure, named
from service.store.contract import Query, Store
from service.store.pages import every
from service.terminology.codes import Codes

__all__ = ["Asked", "Evaluated", "asked_for", "evaluate", "evaluate_measure"]

_KINDS: dict[str, Kind] = {
    "subject": "individual",
    "subject-list": "subject-list",
    "population": "summary",
}
_PAGE = 200


@dataclass(frozen=True, slots=True)
class Asked:
    """What is to be evaluated: a period, a kind of report, and of whom; empty for everybody."""

    span: Span
    kind: Kind
    subject: str = ""
    practitioner: str = ""


@dataclass(slots=True)
class Evaluated:
    """What came of it; ``members`` only where they are to be listed, ``cases`` of one person alone."""

    cohort: Cohort = field(default_factory=Cohort)
    cases: tuple[Case, ...] = ()
    members: dict[tuple[str, str], list[str]] = field(default_factory=dict)

    def add(self, person: str, found: tuple[Case, ...], kind: Kind) -> None:
        """Count one person."""
        self.cohort.add(found)
        if kind == "individual":
            self.cases = found
        elif kind == "subject-list":
            for case in found:
                for name in _populations(case):
                    self.members.setdefault((case.kind, name), []).append(f"Patient/{person}")


async def evaluate_measure(  # noqa: PLR0913 - what the request consists of
    store: Store,
    measure_id: str,
    given: Arguments,
    *,
    seconds: float,
    context: Context,
    codes: Codes,
    smallest: int = SMALLEST_TOLD,
) -> bytes:
    """Answer the MeasureReport; TooCostly if it takes longer than ``seconds``.

    ``smallest`` is the smallest count of people above 0 whose times are told.
    """
    for type_ in READS:
        context.allow("r", type_)
    context.allow("s", "Patient")
    known = named(measure_id or given.get("measure", [""])[0])
    if known is None:
        raise _unknown(measure_id)
    if known == COHORT:
        raise InvalidInput("This measure is told of research tables: GET /research/cohort.")
    asked = asked_for(given, context.zone)
    if asked.practitioner:
        context.allow("s", "CareTeam")
    now = context.clock().astimezone(context.zone)
    found = Evaluated()
    try:
        async with asyncio.timeout(seconds):
            await evaluate(store, asked, found, today=now.date(), zone=context.zone)
    except TimeoutError:
        raise TooCostly(
            f"After {seconds:g} seconds {found.cohort.people} people were evaluated and there are more; "
            "ask for one practitioner's people or one subject, or use the command 'evaluate'."
        ) from None
    about = Report(
        measure(known), asked.span, now, asked.kind, asked.subject, found.cases, found.members, smallest
    )
    return dump(report(about, found.cohort.groups(), found.cohort.people, codes))


async def evaluate(store: Store, asked: Asked, found: Evaluated, *, today: date, zone: ZoneInfo) -> None:
    """Count the people one after another into ``found``; of a period that lies ahead what is known today."""
    as_of = min(asked.span.end, today)
    async for person in _people(store, asked):
        try:
            answer = await compute(store, person, as_of, zone=zone)
        except (NotFound, Gone):
            if asked.subject:
                raise
            continue  # deleted since the list was read
        found.add(person, cases(answer, asked.span), asked.kind)


def asked_for(given: Arguments, zone: ZoneInfo) -> Asked:
    """Read the parameters. InvalidInput names every one that says nothing or contradicts another."""
    problems: list[Issue] = []
    start = _day("periodStart", given, zone, problems, last=False)
    end = _day("periodEnd", given, zone, problems, last=True)
    if end < start:
        problems.append(_problem("periodEnd", "The period ends before it starts."))
    subject = _local("subject", "Patient", given, problems)
    practitioner = _local("practitioner", "Practitioner", given, problems)
    said = given.get("reportType", ["subject" if subject else "population"])[0]
    if said not in _KINDS:
        problems.append(_problem("reportType", f"'{said[:40]}' is not one of {', '.join(_KINDS)}."))
    elif said == "subject" and not subject:
        problems.append(_problem("subject", "A report of the type 'subject' needs a subject."))
    if "lastReceivedOn" in given and said != "subject":
        problems.append(_problem("lastReceivedOn", "This is for reports of one subject only."))
    if problems:
        raise InvalidInput(problems)
    return Asked(Span(start, end), _KINDS[said], subject, practitioner)


def _populations(case: Case) -> Iterable[str]:
    yield "initial-population"
    if case.measured:
        yield "denominator"
    if case.attained:
        yield "numerator"


async def _people(store: Store, asked: Asked) -> AsyncIterator[str]:
    """The ids of the people to evaluate, each once."""
    if asked.practitioner:
        team = await _cared_for(store, asked.practitioner)
        for person in sorted(team):
            if asked.subject in {"", f"Patient/{person}"}:
                yield person
    elif asked.subject:
        yield asked.subject.removeprefix("Patient/")
    else:
        async for version in every(store, Query("Patient", count=_PAGE, total="none")):
            yield version.id


async def _cared_for(store: Store, practitioner: str) -> set[str]:
    """People on whose active care team the practitioner is."""
    ways = parameters("CareTeam")
    member = Clause(ways["participant"].indexes, "reference", (ReferenceValue((practitioner,)),))
    active = Clause(ways["status"].indexes, "token", (TokenValue(None, "active"),))
    found = every(store, Query("CareTeam", (member, active), count=_PAGE, total="none"))
    keys = [extract(reread(version.content)) async for version in found]
    return {one.patient for one in keys if one.patient}


def _day(name: str, given: Arguments, zone: ZoneInfo, problems: list[Issue], *, last: bool) -> date:
    text = str(given[name][0])
    try:
        low, high = interval(text, zone)
        moment = datetime.fromtimestamp((high - 1 if last else low) / 1000, UTC)
    except (ValueError, OverflowError, OSError):
        problems.append(_problem(name, f"'{text[:40]}' is not a date such as 2026, 2026-02 or 2026-02-04."))
        return date.max if last else date.min
    return moment.astimezone(zone).date()


def _local(name: str, type_: str, given: Arguments, problems: list[Issue]) -> str:
    """``Type/id`` of a reference or id, empty if it was not given."""
    text = given.get(name, [""])[0]
    found = local_target(text if "/" in text else f"{type_}/{text}") if text else ""
    if text and not found.startswith(f"{type_}/"):
        problems.append(_problem(name, f"Give a {type_} of this service, as {type_}/[id] or its id."))
    return found


def _problem(name: str, text: str) -> Issue:
    return Issue(text, code=IssueType.VALUE, place=Place(f"http.{name}"))


def _unknown(measure_id: str) -> NotFound | InvalidInput:
    if measure_id:
        return NotFound("Only the measures that travel with this service can be evaluated; there is no such.")
    return InvalidInput("Name one of this service's measures: the parameter 'measure', its URL or id.")
