"""Excluding a visit, or marking one of its trials not observable."""

from collections.abc import Awaitable, Callable, Mapping

from starlette.requests import Request

from service.errors import NotFound
from service.fhir.canonical import value_set
from service.fhir.value_sets import codes as codes_of
from service.operations.decision import Decided
from service.operations.trial_not_observable import mark_not_observable
from service.operations.visit_exclusion import exclude_visit
from service.page import words
from service.page.act_view import Act, ActView, Field
from service.page.desk import NOTE, REASON, Desk, own
from service.terminology.codes import VALUE

__all__ = ["decide_trial", "decide_visit", "trial_forms", "visit_forms"]


async def visit_forms(desk: Desk, request: Request, _sent: Mapping[str, str]) -> ActView:
    """Whether a visit counts, and the form to exclude it."""
    patient, encounter = request.path_params["id"], request.path_params["encounter"]
    version = await own(desk, request, "Encounter", encounter)
    view = await desk.views.visit(patient, encounter)
    choice = Field("code", "Kind of reason", (("", "another"), *_options(desk, "visit-exclusion-reason")))
    act = Act(
        "exclude",
        "Exclude this visit",
        "Exclude it",
        (choice, REASON),
        {"version": version.etag},
        "Its values then count nowhere. They stay on file, and this can be undone.",
    )
    stands = (("Now", f"excluded: {view.excluded}" if view.excluded else "its values count"),)
    back = (f"/app/patients/{patient}/visits/{encounter}", f"{view.name}, visit of {words.day(view.day)}")
    return ActView(f"Visit of {words.day(view.day)}", back, back[0], stands, () if view.excluded else (act,))


async def decide_visit(desk: Desk, request: Request, sent: dict[str, str]) -> Decided:
    """Exclude the visit; refusals as the operation's."""
    return await _decide(desk, exclude_visit, request.path_params["encounter"], sent)


async def trial_forms(desk: Desk, request: Request, _sent: Mapping[str, str]) -> ActView:
    """A trial as recorded, and the form to mark it."""
    patient, encounter = request.path_params["id"], request.path_params["encounter"]
    id_ = request.path_params["trial"]
    version = await own(desk, request, "Observation", id_)
    view = await desk.views.visit(patient, encounter)
    trial = view.grid.trial(id_) if view.grid else None
    if trial is None:
        raise NotFound("There is no such trial at this visit.")
    posture, block, one = trial
    act = Act(
        "mark",
        "Mark this trial not observable",
        "Mark it",
        (Field("code", "Why", _options(desk, "reason-not-rated"), required=True), NOTE),
        {"version": version.etag},
        "It then leaves the numbers. What was recorded stays in its history, and this can be undone.",
    )
    stands = (
        ("Block", block),
        ("Posture", posture),
        ("Trial", str(one.number)),
        ("Recorded as", one.observed),
    )
    back = (f"/app/patients/{patient}/visits/{encounter}", f"{view.name}, visit of {words.day(view.day)}")
    acts = () if one.seen == "neither" else (act,)
    return ActView(f"Trial of {words.day(view.day)}", back, back[0], stands, acts)


async def decide_trial(desk: Desk, request: Request, sent: dict[str, str]) -> Decided:
    """Mark the trial; refusals as the operation's."""
    return await _decide(desk, mark_not_observable, request.path_params["trial"], sent)


async def _decide(
    desk: Desk, act: Callable[..., Awaitable[Decided]], id_: str, sent: Mapping[str, str]
) -> Decided:
    return await act(
        desk.views.store,
        id_,
        if_match=sent.get("version", ""),
        code=sent.get("code", ""),
        reason=sent.get("reason", ""),
        principal=desk.principal,
        context=desk.context,
        codes=desk.codes,
    )


def _options(desk: Desk, name: str) -> tuple[tuple[str, str], ...]:
    found = sorted(codes_of(value_set(name)) or ())
    return tuple((code, desk.codes.display(VALUE, code).lower()) for code in found)
