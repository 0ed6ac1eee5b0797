"""``Patient/[id]/$record-goal-attainment``: compute as of a date and keep the results.

Kept are Observations derived from the evidence (``goal_results``), one for the status of each goal and one
for its latest value, and one Provenance that names this engine as the agent. Recording the same results again
writes nothing. Goals, and what people stated of them, stay as they are.
"""

from datetime import date
from typing import Any

from service.fhir.json import Tree, dump, reread
from service.interactions.context import Context
from service.interactions.transaction import Entry, apply, check
from service.operations.attainment_parameters import parameters
from service.operations.goal_attainment import READS, compute
from service.operations.goal_results import GoalResults
from service.records.elements import reference
from service.records.identity import criteria, full_url
from service.records.sameness import same_content
from service.store.contract import Store, Transaction
from service.terminology.codes import Codes

__all__ = ["record_goal_attainment"]


async def record_goal_attainment(
    store: Store, patient_id: str, as_of: date, *, context: Context, codes: Codes
) -> bytes:
    """Store the results and answer the Parameters resource, with a ``recorded`` reference per Observation."""
    for type_ in READS:
        context.allow("r", type_)
    for type_ in ("Observation", "Provenance"):
        context.allow("c", type_)

    async def work(txn: Transaction) -> bytes:
        answer = await compute(txn, patient_id, as_of, zone=context.zone, limits=context.cue_limits)
        results = GoalResults(f"Patient/{patient_id}", await _labels(txn, patient_id), answer, codes)
        recorded = await _write(txn, results, context)
        tree = parameters(answer, patient=results.patient, codes=codes)
        tree["parameter"] += [{"name": "recorded", "valueReference": reference(one)} for one in recorded]
        return dump(tree)

    return await store.write("record-goal-attainment", work)


async def _write(txn: Transaction, results: GoalResults, context: Context) -> list[str]:
    """Write what changed, and a Provenance of it; answers the references of all results."""
    requests = [
        Entry("PUT", f"Observation?{criteria(**tree['identifier'][0])}", number, _url(tree), tree)
        for number, tree in enumerate(results.observations())
    ]
    check(requests, context=context)
    applied = await apply(txn, requests, context=context, same=same_content)
    found = [(one.outcome, f"Observation/{one.version.id}") for one in applied if one.version]
    if changed := [name for outcome, name in found if outcome != "unchanged"]:
        provenance = results.provenance(
            changed, recorded=context.clock().astimezone(context.zone).isoformat()
        )
        request = Entry("POST", "Provenance", resource=provenance)
        check([request], context=context)
        await apply(txn, [request], context=context)
    return [name for _, name in found]


async def _labels(txn: Transaction, patient_id: str) -> list[dict[str, Any]]:
    """The security labels of the patient: results about invented people say so too."""
    version = await txn.read("Patient", patient_id)
    labels: list[dict[str, Any]] = (
        reread(version.content).get("meta", {}).get("security", []) if version else []
    )
    return labels


def _url(tree: Tree) -> str:
    identifier = tree["identifier"][0]
    return full_url(identifier["system"], identifier["value"])
