"""A progress summary kept with the person: the sheet as a Binary, and the DocumentReference that names it.

The Binary's security context is the person, so that it is theirs wherever rights are looked at. The same
sheet is kept once.
"""

from base64 import b64encode
from datetime import date
from hashlib import sha1, sha256

from service.fhir.canonical import CANONICAL_ROOT
from service.interactions.context import Context
from service.interactions.entry import Entry, check
from service.interactions.transaction import apply
from service.operations.decision import Decided, Looked, Writing, author_of, look
from service.records.decision import Author, labels_of
from service.records.elements import Element, present, reference
from service.records.narrative import narrative
from service.security.principal import Principal
from service.store.contract import Store, Transaction
from service.terminology.codes import Codes

__all__ = ["SUMMARIES", "file_summary"]

SUMMARIES = f"{CANONICAL_ROOT}/progress-summary"
"""System of the identifier of a kept summary: ``patient/day/digest``."""


async def file_summary(  # noqa: PLR0913 - what the act consists of
    store: Store,
    patient_id: str,
    sheet: bytes,
    as_of: date,
    *,
    principal: Principal,
    context: Context,
    codes: Codes,
) -> Decided:
    """Keep a sheet (PDF) about a person as of a day; Forbidden as for a statement about a goal."""
    writing = Writing.by(principal, "Goal", context=context, codes=codes)
    value = f"{patient_id}/{as_of.isoformat()}/{sha256(sheet).hexdigest()[:16]}"

    async def work(txn: Transaction) -> Decided:
        for known in await txn.find("DocumentReference", SUMMARIES, value):
            return Decided((f"DocumentReference/{known.id}",), "")
        person = await look(txn, "Patient", patient_id, None, writing)
        author = await author_of(txn, writing)
        id_ = writing.context.new_id()
        binary = _binary(id_, person, patient_id, sheet)
        document = _document(f"Binary/{id_}", person, patient_id, author, as_of, value, sheet)
        entries = [
            Entry("PUT", f"Binary/{id_}", resource=binary),
            Entry("POST", "DocumentReference", resource=document),
        ]
        kept = await apply(txn, check(entries, context=writing.context), context=writing.context)
        return Decided(tuple(f"{one.version.type}/{one.version.id}" for one in kept if one.version), "")

    return await store.write("file-summary", work)


def _binary(id_: str, person: Looked, patient_id: str, sheet: bytes) -> Element:
    return {
        "resourceType": "Binary",
        "id": id_,
        **present(meta=present(security=labels_of(person.tree))),
        "contentType": "application/pdf",
        "securityContext": reference(f"Patient/{patient_id}"),
        "data": b64encode(sheet).decode(),
    }


def _document(  # noqa: PLR0913, PLR0917 - what a document is made of
    url: str, person: Looked, patient_id: str, author: Author, as_of: date, value: str, sheet: bytes
) -> Element:
    title = f"Progress summary as of {as_of.isoformat()}"
    # FHIR asks for SHA-1 here (Attachment.hash); it guards against damage, not against people
    digest = b64encode(sha1(sheet, usedforsecurity=False).digest()).decode()
    return {
        "resourceType": "DocumentReference",
        **present(meta=present(security=labels_of(person.tree))),
        "text": narrative(title, [("Made", author.moment)]),
        "identifier": [{"system": SUMMARIES, "value": value}],
        "status": "current",
        "docStatus": "final",
        "type": {"text": "Progress summary"},
        "subject": reference(f"Patient/{patient_id}"),
        "date": author.moment,
        "author": [author.who],
        "content": [
            {
                "attachment": {
                    "contentType": "application/pdf",
                    "language": "en",
                    "url": url,
                    "size": len(sheet),
                    "hash": digest,
                    "title": title,
                    "creation": author.moment,
                }
            }
        ],
    }
