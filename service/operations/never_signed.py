"""Which parts of a visit's record wait for a signature and never had one.

R4's `amended` says of an Observation that it was final before; what an amendment added is final once signed,
however often it was sent before that.
"""

from collections.abc import Sequence

from service.fhir.json import reread
from service.records.parts import in_error
from service.records.preliminary import amending, says_preliminary
from service.records.stored import Resource, reference_to
from service.store.contract import Transaction

__all__ = ["never_signed"]


async def never_signed(txn: Transaction, own: Sequence[Resource]) -> frozenset[str]:
    """Answer the references of those parts; ``own`` are all stored parts of one record, its visit among them.

    Only the parts of a record under amendment may have been signed before.
    """
    waiting = [one for one in own if says_preliminary(one)]
    if any(amending(one) for one in own):
        waiting = [one for one in waiting if not await _was_signed(txn, one)]
    return frozenset(map(reference_to, waiting))


async def _was_signed(txn: Transaction, part: Resource) -> bool:
    """Whether a part was final once, since it was taken up last."""
    for number in range(int(part["meta"]["versionId"]) - 1, 0, -1):
        version = await txn.vread(part["resourceType"], part["id"], number)
        if version is None or version.deleted or in_error(earlier := reread(version.content)):
            return False
        if not says_preliminary(earlier):
            return True
    return False
