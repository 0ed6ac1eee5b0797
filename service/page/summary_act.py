"""Filing the progress summary in the record, and what was filed before."""

import asyncio
from collections.abc import Mapping
from dataclasses import replace

from starlette.requests import Request

from service.fhir.json import Tree, reread
from service.operations.decision import Decided
from service.operations.file_summary import file_summary
from service.page import words
from service.page.act_view import Act, ActView
from service.page.desk import Desk, day_of, person_page
from service.page.summary import summary_pdf
from service.records.decision import SUMMARIES
from service.records.parts import identifiers
from service.records.seen import time_of
from service.records.stored import reference_to
from service.store.pages import about, every

__all__ = ["decide_summary", "summary_forms"]


async def summary_forms(desk: Desk, request: Request, sent: Mapping[str, str]) -> ActView:
    """The summaries on file, newest first, and the form to file another."""
    day = day_of(desk, sent.get("date", ""))
    act = Act(
        "file",
        f"File the summary of {words.day(day)}",
        "File it",
        (),
        {"date": day.isoformat()},
        "It is kept as a PDF with the person's record, as it stands now; the same sheet is kept once.",
    )
    filed = await _filed(desk, request.path_params["id"])
    kept = tuple(("On file", _told(one, desk)) for one in filed if one["status"] == "current")
    names = {reference_to(one): _title(one) for one in filed}
    back = (person_page(request, day), f"Goals on {words.day(day)}")
    after = f"{request.url.path}?date={day.isoformat()}"
    view = ActView("Progress summary", back, after, kept or (("On file", "none"),), (act,))
    return replace(view, decisions=await desk.views.decisions(names, desk.principal))


async def _filed(desk: Desk, patient: str) -> list[Tree]:
    """What was filed, newest first, whether or not it was undone since."""
    desk.context.allow("s", "DocumentReference")
    texts = [
        version.content async for version in every(desk.views.store, about("DocumentReference", patient))
    ]
    found = [one for one in map(reread, texts) if any(system == SUMMARIES for system, _ in identifiers(one))]
    return sorted(found, key=lambda one: str(one["date"]), reverse=True)


def _told(document: Tree, desk: Desk) -> str:
    time = time_of(document["date"], desk.views.zone)
    return f"{_title(document)}, filed {words.day(time[0])}" if time else _title(document)


def _title(document: Tree) -> str:
    return str(document["content"][0]["attachment"]["title"])


async def decide_summary(desk: Desk, request: Request, sent: dict[str, str]) -> Decided:
    """Make the sheet and keep it."""
    patient, day = request.path_params["id"], day_of(desk, sent.get("date", ""))
    view = await desk.views.patient(patient, day)
    made = desk.views.today()
    sheet = await asyncio.to_thread(summary_pdf, view, author=desk.principal.called, made=made)
    return await file_summary(
        desk.views.store,
        patient,
        sheet,
        day,
        principal=desk.principal,
        context=desk.context,
        codes=desk.codes,
    )
