"""What a person decides about computed results, over HTTP; ``operations/decision.py`` carries it out."""

from collections.abc import Awaitable, Callable
from typing import TypedDict

from starlette.responses import Response

from service.errors import InvalidInput
from service.interactions.context import Context
from service.interactions.read import read
from service.operations.arguments import Arguments, arguments
from service.operations.as_of import day_asked
from service.operations.decision import Decided, answer_of
from service.operations.goal_statement import accept_status, override_status
from service.operations.trial_not_observable import mark_not_observable
from service.operations.undo import undo
from service.operations.visit_exclusion import exclude_visit
from service.operations.visit_signing import sign_visit
from service.rest.answers import answer
from service.rest.call import Call
from service.security.principal import Principal
from service.terminology.codes import Codes, codes

__all__ = ["accept", "exclude", "mark", "override", "sign", "take_back"]


class _By(TypedDict):
    principal: Principal
    context: Context
    codes: Codes


async def accept(call: Call) -> Response:
    """Make the computed status of a goal the stated one."""
    given = await _given(call, "accept-status")
    done = await accept_status(
        call.store,
        call.path("id"),
        day_asked(given, context=call.context),
        if_match=_seen(call),
        computed=_one(given, "computed"),
        reason=_one(given, "reason"),
        **_by(call),
    )
    return await _told(call, done)


async def override(call: Call) -> Response:
    """State the status of a goal, whatever is computed."""
    given = await _given(call, "override-status")
    done = await override_status(
        call.store,
        call.path("id"),
        day_asked(given, context=call.context),
        if_match=_seen(call),
        reason=_one(given, "reason"),
        achievement=_one(given, "achievement"),
        lifecycle=_one(given, "lifecycle"),
        **_by(call),
    )
    return await _told(call, done)


async def exclude(call: Call) -> Response:
    """Leave a visit out of everything that is computed."""
    return await _left_out(call, "exclude-visit", exclude_visit)


async def mark(call: Call) -> Response:
    """Say that the outcome of a trial could not be seen."""
    return await _left_out(call, "mark-not-observable", mark_not_observable)


async def sign(call: Call) -> Response:
    """Sign the record of a visit, or co-sign it."""
    given = await _given(call, "sign-visit")
    # only for who reaches the visit; its parts are made final also where they are hidden from them
    await read(call.store, "Encounter", call.path("id"), context=call.context)
    done = await sign_visit(
        call.workplace,
        call.path("id"),
        if_match=_seen(call),
        signer=_one(given, "signer"),
        licence=_one(given, "licence"),
        **_by(call),
    )
    return await _told(call, done)


async def take_back(call: Call) -> Response:
    """Undo a decision."""
    given = await _given(call, "undo")
    return await _told(
        call, await undo(call.store, call.path("id"), reason=_one(given, "reason"), **_by(call))
    )


async def _left_out(call: Call, name: str, decide: Callable[..., Awaitable[Decided]]) -> Response:
    """Carry out an act that gives a code or words for why."""
    given = await _given(call, name)
    done = await decide(
        call.store,
        call.path("id"),
        if_match=_seen(call),
        code=_one(given, "code"),
        reason=_one(given, "reason"),
        **_by(call),
    )
    return await _told(call, done)


def _by(call: Call) -> _By:
    known = codes(call.services.settings.snomed)
    return {"principal": call.principal, "context": call.context, "codes": known}


async def _given(call: Call, name: str) -> Arguments:
    body = await call.resource_body(optional=True)
    return arguments(name, call.criteria, body, max_depth=call.services.settings.max_depth)


def _one(given: Arguments, name: str) -> str:
    return str(given.get(name, [""])[0])


def _seen(call: Call) -> str:
    """The If-Match header; a decision without it could go over another's unseen."""
    if not (tag := call.header("if-match")):
        text = 'Send the header If-Match with the version you looked at, such as W/"3": the ETag of its read.'
        raise InvalidInput(text)
    return tag


async def _told(call: Call, decided: Decided) -> Response:
    return await answer(call, answer_of(decided))
