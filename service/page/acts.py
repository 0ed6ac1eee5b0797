"""Deciding from the page: a form, the decision, and back to where it is shown with who, when and why.

The decisions themselves are the operations'; the page shows what they refuse beside the field it is about.
A form carries the version it was made from, so that nobody decides over another's decision unseen.
"""

from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from service.errors import Conflict, PreconditionFailed, RuleViolation
from service.operations.decision import Decided
from service.page.act_view import ActView
from service.page.desk import Desk
from service.page.goal_act import decide_goal, goal_forms
from service.page.guard import Guard
from service.page.posted import posted
from service.page.rendering import html
from service.page.sign_act import decide_signature, signature_forms
from service.page.summary_act import decide_summary, summary_forms
from service.page.undo_act import decide_undo, undo_forms
from service.page.visit_act import decide_trial, decide_visit, trial_forms, visit_forms
from service.security.principal import Principal

__all__ = ["act_routes"]

LONGEST_FORM = 16_384

Desks = Callable[[Request, Principal], Desk]
Showing = Callable[[Desk, Request, Mapping[str, str]], Awaitable[ActView]]
Deciding = Callable[[Desk, Request, dict[str, str]], Awaitable[Decided]]


def act_routes(desks: Desks, guard: Guard) -> list[Route]:
    """The routes of every decision; ``desks`` answers with what a request's caller decides."""
    person = "/app/patients/{id}"
    table: tuple[tuple[str, Showing, Deciding], ...] = (
        (f"{person}/goals/{{goal}}", goal_forms, decide_goal),
        (f"{person}/visits/{{encounter}}/exclusion", visit_forms, decide_visit),
        (f"{person}/visits/{{encounter}}/signature", signature_forms, decide_signature),
        (f"{person}/visits/{{encounter}}/trials/{{trial}}", trial_forms, decide_trial),
        (f"{person}/decisions/{{provenance}}", undo_forms, decide_undo),
        (f"{person}/summary", summary_forms, decide_summary),
    )
    acts = [(path, _Act(desks, guard, show, decide)) for path, show, decide in table]
    return [
        Route(path, guard.around(answer), methods=[method], include_in_schema=False)
        for path, act in acts
        for method, answer in (("GET", act.form), ("POST", act.decide))
    ]


@dataclass(frozen=True, slots=True)
class _Act:
    desks: Desks
    guard: Guard
    show: Showing
    decision: Deciding

    async def form(self, request: Request) -> Response:
        """GET: what stands, and the forms."""
        desk = self.desks(request, await self.guard.caller(request))
        return self._page(request, desk, await self.show(desk, request, request.query_params))

    async def decide(self, request: Request) -> Response:
        """POST: decide, then show it where it belongs; refused, the form again with what was sent."""
        caller = await self.guard.caller(request)
        sent = await posted(request, longest=LONGEST_FORM)
        self.guard.own_form(request, sent.get("form", ""))
        desk = self.desks(request, caller)
        view = await self.show(desk, request, sent)
        try:
            decided = await self.decision(desk, request, sent)
        except (RuleViolation, Conflict, PreconditionFailed) as problem:
            again = view.refused(problem, sent)
            return self._page(request, desk, again, status=problem.status)
        made = decided.provenance.removeprefix("Provenance/")
        sign = "&" if "?" in view.after else "?"
        return RedirectResponse(f"{view.after}{sign}decided={made}", status_code=303)

    def _page(self, request: Request, desk: Desk, view: ActView, *, status: int = 200) -> Response:
        return html(
            "act.html",
            status=status,
            caller=desk.principal.called,
            view=view,
            form=self.guard.form_token(request),
            to=request.url.path,
            patient=request.path_params["id"],
            decided=request.query_params.get("decided", ""),
        )
