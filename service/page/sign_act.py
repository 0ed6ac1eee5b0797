"""Signing the record of a visit, or co-signing it."""

from collections.abc import Mapping

from starlette.requests import Request

from service.operations.decision import Decided
from service.operations.visit_signing import sign_visit
from service.page import words
from service.page.act_view import Act, ActView, Field
from service.page.desk import Desk, own

__all__ = ["decide_signature", "signature_forms"]

_STANDINGS = (("licensed", "licensed"), ("student", "student"), ("assistant", "assistant"))
_LASTS = (
    "Its values then count and are sent on, also those that a label hides from you. A signature stays; an "
    "amendment changes what is signed."
)


async def signature_forms(desk: Desk, request: Request, _sent: Mapping[str, str]) -> ActView:
    """What a visit waits for, and the form to give it."""
    patient, encounter = request.path_params["id"], request.path_params["encounter"]
    version = await own(desk, request, "Encounter", encounter)
    view = await desk.views.visit(patient, encounter)
    hidden = {"version": version.etag}
    standing = Field("signer", "You sign as", _STANDINGS, "Who is not licensed needs a co-signature.")
    licence = Field("licence", "Number of your licence", required=True)
    acts = {
        "signature": Act("sign", "Sign this visit", "Sign it", (standing,), hidden, _LASTS),
        "co-signature": Act("co-sign", "Co-sign this visit", "Co-sign it", (licence,), hidden, _LASTS),
    }
    stands = (("Waits for", view.awaits or "nothing: it is signed"),)
    back = (f"/app/patients/{patient}/visits/{encounter}", f"{view.name}, visit of {words.day(view.day)}")
    shown = (acts[view.awaits],) if view.awaits else ()
    return ActView(f"Visit of {words.day(view.day)}", back, back[0], stands, shown)


async def decide_signature(desk: Desk, request: Request, sent: dict[str, str]) -> Decided:
    """Sign the visit as the person of the token, all of it; refusals as the operation's."""
    encounter = request.path_params["encounter"]
    await own(desk, request, "Encounter", encounter)  # only for who reaches the visit
    return await sign_visit(
        desk.workplace,
        encounter,
        if_match=sent.get("version", ""),
        signer=sent.get("signer", ""),
        licence=sent.get("licence", ""),
        principal=desk.principal,
        context=desk.context,
        codes=desk.codes,
    )
