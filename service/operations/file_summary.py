"""A progress summary kept with the person: the sheet as a Binary, and the DocumentReference that names it.

The Binary's security context is the person, so that it is theirs wherever rights are looked at. The same
sheet is kept once; filed again after its filing was undone, it is in force again.
"""

from base64 import b64encode
from datetime import date
from hashlib import sha1, sha256

from service.fhir.json import reread
from service.interactions.context import Context
from service.interactions.entry import Entry, check
from service.interactions.transaction import apply
from service.operations.decision import Decided, Looked, Writing, author_of, look, write
from service.records.decision import SUMMARIES, Author, Decision, labels_of
from service.records.elements import Element, present, reference
from service.records.narrative import narrative
from service.records.stored import reference_to
from service.security.principal import Principal
from service.store.contract import Store, Transaction
from service.terminology.codes import Codes

__all__ = ["file_summary"]


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
        author = await author_of(txn, writing)
        known = next(iter(await txn.find("DocumentReference", SUMMARIES, value)), None)
        tree = reread(known.content) if known else None
        if tree and tree["status"] == "current":
            return Decided((reference_to(tree),), "")
        if tree:
            tree["status"] = "current"
        else:
            person = await look(txn, "Patient", patient_id, None, writing)
            binary = await _kept(txn, person, patient_id, sheet, writing)
            tree = _document(binary, person, patient_id, author, as_of, value, sheet, codes)
        return await write(txn, Decision("file-summary"), [tree], author, writing)

    return await store.write("file-summary", work)


async def _kept(txn: Transaction, person: Looked, patient_id: str, sheet: bytes, writing: Writing) -> str:
    """Keep the sheet itself; answers its reference."""
    id_ = writing.context.new_id()
    entry = Entry("PUT", f"Binary/{id_}", resource=_binary(id_, person, patient_id, sheet))
    await apply(txn, check([entry], context=writing.context), context=writing.context)
    return f"Binary/{id_}"


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
    url: str,
    person: Looked,
    patient_id: str,
    author: Author,
    as_of: date,
    value: str,
    sheet: bytes,
    codes: Codes,
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
        "type": codes.concept("progress-summary"),
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
