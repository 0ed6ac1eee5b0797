"""The status of a Subscription as the service sets it: a new version of the resource, recorded as all are."""

from service.fhir.json import Tree, dump_headed, reread
from service.fhir.search_keys import extract
from service.security.audit import Facts
from service.security.audit_event import events_of
from service.store.contract import Store, Transaction, Version

__all__ = ["set_status"]


async def set_status(store: Store, seen: Version, status: str, error: str = "") -> bool:
    """Write the next version with this status and what went wrong; False if somebody else wrote one."""

    async def work(txn: Transaction) -> bool:
        newest = await txn.read("Subscription", seen.id)
        if newest is None or newest.version != seen.version:
            return False
        tree = _with_status(reread(newest.content), status, error)
        written = await txn.put("Subscription", seen.id, dump_headed(tree), extract(tree))
        facts = Facts(subtype="update", action="U", command="subscriptions")
        facts.write(written, "")
        await txn.audit(events_of(facts, 200))
        return True

    return await store.write("status of a subscription", work)


def _with_status(tree: Tree, status: str, error: str) -> Tree:
    kept = {name: value for name, value in tree.items() if name not in {"error", "_error", "_status"}}
    return {**kept, "status": status, **({"error": error} if error else {})}
