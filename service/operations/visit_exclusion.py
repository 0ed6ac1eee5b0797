"""``Encounter/[id]/$exclude-visit``: a person leaves a visit out of everything that is computed."""

from service.errors import RuleViolation
from service.fhir.canonical import value_set
from service.interactions.context import Context
from service.operations.decision import (
    Decided,
    Writing,
    author_of,
    look,
    refuse,
    without_code,
    without_reason,
    write,
)
from service.records.decision import Decision
from service.records.parts import in_error
from service.records.visit_exclusion import excluded, exclusion, exclusion_of
from service.security.principal import Principal
from service.store.contract import Store, Transaction
from service.terminology.codes import Codes

__all__ = ["exclude_visit"]

_REASONS = value_set("visit-exclusion-reason")


async def exclude_visit(  # noqa: PLR0913 - what the act consists of
    store: Store,
    encounter_id: str,
    *,
    if_match: str | None,
    reason: str,
    code: str = "",
    principal: Principal,
    context: Context,
    codes: Codes,
) -> Decided:
    """Leave a visit out, with a reason in words and, where one fits, as a code.

    The visit and its values stay on file. RuleViolation if it is left out already.
    """
    writing = Writing.by(principal, "Encounter", context=context, codes=codes)
    why = reason.strip()
    refuse(without_reason(why), without_code("code", code, _REASONS) if code else None)

    async def work(txn: Transaction) -> Decided:
        visit = (await look(txn, "Encounter", encounter_id, if_match, writing)).tree
        if in_error(visit):
            raise RuleViolation("This visit was entered in error and counts nowhere already.")
        if exclusion_of(visit):
            raise RuleViolation("This visit is left out already; undo that to give another reason.")
        author = await author_of(txn, writing)
        tree = excluded(visit, exclusion(why, code, author.moment, codes))
        return await write(txn, Decision("exclude-visit", why), [tree], author, writing)

    return await store.write("exclude-visit", work)
