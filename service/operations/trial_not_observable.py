"""``Observation/[id]/$mark-not-observable``: a person says a trial's outcome could not be seen after all."""

from service.errors import RuleViolation
from service.fhir.canonical import value_set
from service.interactions.context import Context
from service.operations.decision import Decided, Writing, author_of, look, refuse, without_code, write
from service.records.decision import Decision
from service.records.trial_not_observable import is_observed_trial, marked
from service.security.principal import Principal
from service.store.contract import Store, Transaction
from service.terminology.codes import VALUE, Codes

__all__ = ["mark_not_observable"]

_REASONS = value_set("reason-not-rated")


async def mark_not_observable(  # noqa: PLR0913 - what the act consists of
    store: Store,
    observation_id: str,
    *,
    if_match: str | None,
    code: str,
    reason: str = "",
    principal: Principal,
    context: Context,
    codes: Codes,
) -> Decided:
    """Take the outcome out of a trial's numbers; ``code`` says why, ``reason`` adds words to it.

    What was seen stays in the history. RuleViolation if it is no trial with an outcome.
    """
    writing = Writing.by(principal, "Observation", context=context, codes=codes)
    refuse(without_code("code", code, _REASONS))

    async def work(txn: Transaction) -> Decided:
        trial = (await look(txn, "Observation", observation_id, if_match, writing)).tree
        if not is_observed_trial(trial):
            raise RuleViolation("Only a trial in force whose outcome was seen can be marked not observable.")
        author = await author_of(txn, writing)
        why = ": ".join(filter(None, (codes.display(VALUE, code), reason.strip())))
        return await write(
            txn, Decision("mark-not-observable", why), [marked(trial, code, codes)], author, writing
        )

    return await store.write("mark-not-observable", work)
