"""Provenance of an accepted visit record: what changed, who answers for it, from which record."""

from collections.abc import Sequence
from datetime import datetime

from service.records.draft import HL7
from service.records.elements import Element, present, reference
from service.records.narrative import narrative
from service.records.visit import VisitRecord
from service.terminology.codes import codes

__all__ = ["provenance"]


def provenance(
    record: VisitRecord, targets: Sequence[str], *, clinician: str, sender: str, recorded: datetime
) -> Element:
    """One Provenance for one accepted write.

    ``targets`` are references to what changed, ``clinician`` the reference of the one responsible, ``sender``
    the name of the client that sent the record (may be empty), ``recorded`` now, with a zone.
    """
    label = codes().coding(f"{HL7}v3-ActReason", "HTEST")
    agents = [_agent("author", reference(clinician))]
    if sender:
        agents.append(_agent("enterer", {"display": sender}))
    one = {"system": record.record.system, "value": record.record.value}
    return {
        "resourceType": "Provenance",
        **present(meta=present(security=[label] if record.test_data else [])),
        "text": narrative("Visit record accepted", [("Resources changed", str(len(targets)))]),
        "target": [reference(target) for target in targets],
        "recorded": recorded.isoformat(),
        "activity": {"text": "Visit record accepted"},
        "agent": agents,
        "entity": [{"role": "source", "what": {"identifier": one}}],
    }


def _agent(type_: str, who: Element) -> Element:
    coding = codes().coding(f"{HL7}provenance-participant-type", type_)
    return {"type": {"coding": [coding]}, "who": who}
