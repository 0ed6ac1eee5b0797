"""Accepting a goal's computed status, or stating one of one's own."""

from collections.abc import Mapping

from starlette.requests import Request

from service.errors import NotFound
from service.operations.decision import Decided
from service.operations.goal_statement import accept_status, override_status
from service.page import words
from service.page.act_view import Act, ActView, Field
from service.page.desk import NOTE, REASON, Desk, day_of, own, person_page

__all__ = ["decide_goal", "goal_forms"]

LIFECYCLES = (
    ("", "as it is"),
    ("active", "active"),
    ("on-hold", "on hold"),
    ("completed", "completed"),
    ("cancelled", "cancelled"),
)


async def goal_forms(desk: Desk, request: Request, sent: Mapping[str, str]) -> ActView:
    """The computed and the stated status of a goal as of a day, and both ways to state one."""
    id_, day = request.path_params["goal"], day_of(desk, sent.get("date", ""))
    version = await own(desk, request, "Goal", id_)
    view = await desk.views.patient(request.path_params["id"], day)
    goal = next((one for one in view.goals if one.id == f"Goal/{id_}"), None)
    if goal is None:
        raise NotFound(f"This goal had not begun by {words.day(day)}.")
    hidden = {"version": version.etag, "date": day.isoformat(), "computed": goal.computed}
    accept = Act(
        "accept", f"Accept the computed status: {words.status(goal.computed)}", "Accept it", (NOTE,), hidden
    )
    achievements = [item for item in words.STATUS.items() if item[0]]
    override = Act(
        "override",
        "State a status of your own",
        "State it",
        (
            Field("achievement", "Status", (("", "as it is"), *achievements)),
            Field("lifecycle", "The goal is", LIFECYCLES),
            REASON,
        ),
        hidden,
        "The computed status stays beside it and goes on being computed.",
    )
    told = (
        ("As of", words.day(day)),
        ("Computed status", f"{words.status(goal.computed)}: {goal.why}"),
        ("Stated status", words.status(goal.stated) if goal.stated else "none stated"),
        ("The goal is", goal.lifecycle.replace("-", " ")),
    )
    back = (person_page(request, day), f"{view.banner.name}, goals on {words.day(day)}")
    after = f"/app/patients/{request.path_params['id']}"  # as of today: from now on it is stated
    acts = (accept, override) if goal.computed else (override,)
    return ActView(goal.description, back, after, told, acts)


async def decide_goal(desk: Desk, request: Request, sent: dict[str, str]) -> Decided:
    """Accept the computed status, or state another; refusals as the operations'."""
    goal, day = request.path_params["goal"], day_of(desk, sent.get("date", ""))
    store, who, context, codes = desk.views.store, desk.principal, desk.context, desk.codes
    version, reason = sent.get("version", ""), sent.get("reason", "")
    if sent.get("act") == "accept":
        return await accept_status(
            store,
            goal,
            day,
            if_match=version,
            computed=sent.get("computed", ""),
            reason=reason,
            principal=who,
            context=context,
            codes=codes,
        )
    return await override_status(
        store,
        goal,
        day,
        if_match=version,
        reason=reason,
        achievement=sent.get("achievement", ""),
        lifecycle=sent.get("lifecycle", ""),
        principal=who,
        context=context,
        codes=codes,
    )
