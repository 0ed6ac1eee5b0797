"""Undoing a decision."""

from collections.abc import Mapping

from starlette.requests import Request

from service.errors import NotFound
from service.fhir.json import reread
from service.fhir.references import local_target
from service.interactions.read import there
from service.operations.decision import Decided
from service.operations.undo import undo
from service.page.act_view import Act, ActView
from service.page.decision_rows import WHAT
from service.page.desk import NOTE, Desk, own
from service.records.decision import activity_of
from service.store.contract import Version

__all__ = ["decide_undo", "undo_forms"]


async def undo_forms(desk: Desk, request: Request, _sent: Mapping[str, str]) -> ActView:
    """A decision, and the form to undo it; NotFound for what is none."""
    id_ = request.path_params["provenance"]
    told = reread(there(await desk.views.store.read("Provenance", id_), f"Provenance/{id_[:64]}").content)
    targets = [local_target(one.get("reference", "")) for one in told.get("target", ())]
    if not targets or not (activity := activity_of(told)):
        raise NotFound("This is no decision that can be undone.")
    type_, _, of = targets[0].partition("/")
    version = await own(desk, request, type_, of)
    act = Act("undo", "Undo this decision", "Undo it", (NOTE,), {}, "What stood before stands again.")
    back = _back(f"/app/patients/{request.path_params['id']}", version)
    reason = next((one["text"] for one in told.get("reason", ()) if one.get("text")), "")
    stands = (("Decision", WHAT.get(activity, activity)), ("Reason", reason or "none given"))
    return ActView("Undo a decision", back, back[0], stands, (act,))


def _back(person: str, version: Version) -> tuple[str, str]:
    """The page that shows what was decided about, and its words."""
    match version.type:
        case "Goal":
            return person, "Back to the person"
        case "DocumentReference":
            return f"{person}/summary", "Back to the summaries"
        case "Encounter":
            return f"{person}/visits/{version.id}", "Back to the visit"
    reference = reread(version.content).get("encounter", {}).get("reference", "")
    return f"{person}/visits/{local_target(reference).partition('/')[2]}", "Back to the visit"


async def decide_undo(desk: Desk, request: Request, sent: dict[str, str]) -> Decided:
    """Undo it; refusals as the operation's."""
    return await undo(
        desk.views.store,
        request.path_params["provenance"],
        reason=sent.get("reason", ""),
        principal=desk.principal,
        context=desk.context,
        codes=desk.codes,
    )
