"""Provenance of an accepted visit record: what changed, who answers for it, from which record."""

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime

from service.records.draft import HL7
from service.records.elements import Element, present, reference
from service.records.narrative import narrative
from service.records.visit import Practitioner, VisitRecord
from service.terminology.codes import codes

__all__ = ["provenance"]


def provenance(
    record: VisitRecord,
    targets: Sequence[str],
    *,
    named: Callable[[Practitioner], str],
    sender: str,
    recorded: datetime,
) -> Element:
    """One Provenance for one accepted write.

    ``targets`` are references to what changed, ``named`` answers the reference of a person of the record,
    ``sender`` is the name of the client that sent the record (may be empty), ``recorded`` now, with a zone.
    Who signed is the author and, if licensed, answers for it in law; who co-signed has verified it and does.
    """
    label = codes().coding(f"{HL7}v3-ActReason", "HTEST")
    agents = [_agent(type_, reference(named(person))) for type_, person in _signers(record)]
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


def _signers(record: VisitRecord) -> Iterator[tuple[str, Practitioner]]:
    """Participant types of R4 and who they are."""
    signed = record.signature
    if signed is None or signed.state == "draft":
        yield "author", record.visit.clinician
        return
    author = signed.signed_by or record.visit.clinician
    yield "author", author
    if signed.signer == "licensed":
        yield "legal", author
    if signed.co_signed_by:
        yield "verifier", signed.co_signed_by
        yield "legal", signed.co_signed_by


def _agent(type_: str, who: Element) -> Element:
    coding = codes().coding(f"{HL7}provenance-participant-type", type_)
    return {"type": {"coding": [coding]}, "who": who}
