"""Filing the progress summary in the record, and what was filed before."""

import asyncio
from collections.abc import Mapping

from starlette.requests import Request

from service.fhir.json import Tree, reread
from service.operations.decision import Decided
from service.operations.file_summary import SUMMARIES, file_summary
from service.page import words
from service.page.act_view import Act, ActView
from service.page.desk import Desk, day_of, person_page
from service.page.summary import summary_pdf
from service.records.seen import time_of
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
    kept = await _kept(desk, request.path_params["id"])
    back = (person_page(request, day), f"Goals on {words.day(day)}")
    after = f"{request.url.path}?date={day.isoformat()}"
    return ActView("Progress summary", back, after, kept or (("On file", "none"),), (act,))


async def _kept(desk: Desk, patient: str) -> tuple[tuple[str, str], ...]:
    desk.context.allow("s", "DocumentReference")
    texts = [
        version.content async for version in every(desk.views.store, about("DocumentReference", patient))
    ]
    found = [one for one in map(reread, texts) if _is_ours(one)]
    newest = sorted(found, key=lambda one: str(one["date"]), reverse=True)
    return tuple(("On file", _told(one, desk)) for one in newest)


def _is_ours(document: Tree) -> bool:
    systems = {one.get("system") for one in document.get("identifier", ())}
    return SUMMARIES in systems and document["status"] == "current"


def _told(document: Tree, desk: Desk) -> str:
    time = time_of(document["date"], desk.views.zone)
    title = str(document["content"][0]["attachment"]["title"])
    return f"{title}, filed {words.day(time[0])}" if time else title


async def decide_summary(desk: Desk, request: Request, sent: dict[str, str]) -> Decided:
    """Make the sheet and keep it."""
    patient, day = request.path_params["id"], day_of(desk, sent.get("date", ""))
    view = await desk.views.patient(patient, day)
    made = desk.views.today()
    sheet = await asyncio.to_thread(summary_pdf, view, author=desk.principal.subject, made=made)
    return await file_summary(
        desk.views.store,
        patient,
        sheet,
        day,
        principal=desk.principal,
        context=desk.context,
        codes=desk.codes,
    )
