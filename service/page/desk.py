"""What every decision of the page starts from: who decides, about whose resource, as of which day."""

from dataclasses import dataclass
from datetime import date

from starlette.requests import Request

from service.errors import InvalidInput, NotFound
from service.fhir.json import reread
from service.fhir.references import local_target
from service.interactions.context import Context
from service.interactions.read import there
from service.page.act_view import Field
from service.page.stored import StoredViews
from service.security.principal import Principal
from service.store.contract import Store, Version
from service.terminology.codes import Codes

__all__ = ["NOTE", "REASON", "Desk", "day_of", "own", "person_page"]

REASON = Field("reason", "Reason", help="In words; it is shown with the decision.", required=True)
NOTE = Field("reason", "Reason (if you wish)", help="In words; it is shown with the decision.")


@dataclass(frozen=True, slots=True)
class Desk:
    """Who decides, with what: the pages' views, the caller's context and the codes.

    ``workplace`` is what is stored, for work on what the caller reaches that goes beyond what they see.
    """

    views: StoredViews
    workplace: Store
    principal: Principal
    context: Context
    codes: Codes


async def own(desk: Desk, request: Request, type_: str, id_: str) -> Version:
    """A resource of the person in the address; NotFound if it is about somebody else."""
    version = there(await desk.views.store.read(type_, id_), f"{type_}/{id_[:64]}")
    subject = reread(version.content).get("subject", {}).get("reference", "")
    if local_target(subject, desk.context.base) != f"Patient/{request.path_params['id']}":
        raise NotFound(f"There is no {type_}/{id_[:64]} of this person.")
    return version


def day_of(desk: Desk, text: str) -> date:
    """A day as a form or address writes it; today at the site for none."""
    try:
        return date.fromisoformat(text) if text else desk.views.today()
    except ValueError:
        raise InvalidInput(f"'{text[:40]}' is not a date like 2026-03-24.") from None


def person_page(request: Request, day: date) -> str:
    """The address of the person's page as of a day."""
    return f"/app/patients/{request.path_params['id']}?date={day.isoformat()}"
