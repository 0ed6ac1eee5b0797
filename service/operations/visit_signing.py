"""``Encounter/[id]/$sign-visit``: who made a record signs it, or somebody licensed co-signs it.

What waited for the signature then counts: the visit's parts are final, and what they state of goals, plans
and episodes is settled as if the record had come signed. Only an amendment changes a signed record.
"""

from collections.abc import Iterator

from service.errors import Issue, IssueType, Place, RuleViolation
from service.fhir.json import reread
from service.fhir.references import local_target
from service.interactions.context import Context
from service.operations.decision import Decided, Writing, author_of, look, refuse, write
from service.operations.never_signed import never_signed
from service.operations.patient_file import file_about
from service.records.decision import SIGNATURE, Decision
from service.records.identity import Names
from service.records.on_file import OnFile
from service.records.parts import in_error, target
from service.records.preliminary import record_of
from service.records.revision import revise
from service.records.signing import SIGNERS, awaited, signatory, signed_visit, whole
from service.records.stored import Resource
from service.security.principal import Principal
from service.store.contract import Store, Transaction
from service.terminology.codes import Codes

__all__ = ["sign_visit"]


async def sign_visit(  # noqa: PLR0913 - what the act consists of
    store: Store,
    encounter_id: str,
    *,
    if_match: str | None,
    signer: str = "",
    licence: str = "",
    principal: Principal,
    context: Context,
    codes: Codes,
) -> Decided:
    """Sign a visit's record as the person of the token; co-sign it if it is signed already.

    ``signer`` is one's standing (licensed if empty, student, assistant): a student's or assistant's signature
    waits for a co-signature, which needs the number of a ``licence``. RuleViolation if the visit waits for
    nothing, or this person can't give what it waits for.
    """
    writing = Writing.by(principal, "signature", context=context, codes=codes)
    standing = signer or "licensed"

    async def work(txn: Transaction) -> Decided:
        visit = (await look(txn, "Encounter", encounter_id, if_match, writing)).tree
        names = _names(visit)
        author = await author_of(txn, writing)
        who = target(author.who)
        refuse(*_problems(visit, who, standing, licence.strip()))
        signed = signed_visit(visit, who, author.moment, standing, licence.strip())
        decision = Decision(SIGNATURE, roles=_roles(visit, signed))
        trees = await _trees(txn, signed, visit, names, writing)
        return await write(txn, decision, trees, author, writing)

    return await store.write("sign-visit", work)


def _names(visit: Resource) -> Names:
    names = record_of(visit)
    if in_error(visit) or names is None or not awaited(visit):
        raise RuleViolation("This visit waits for no signature; what is signed is changed by an amendment.")
    return names


def _problems(visit: Resource, who: str, standing: str, licence: str) -> Iterator[Issue]:
    """What keeps this person from signing."""
    if not who.startswith("Practitioner/"):
        yield _problem(
            "", "Only a person on file signs; your access token names no Practitioner stored here."
        )
    if standing not in SIGNERS:
        yield _problem("signer", f"'{standing[:40]}' is not one of {', '.join(SIGNERS)}.")
    if awaited(visit) != "co-signature":
        return
    if who == signatory(visit):
        yield _problem("", "A co-signature needs another person than the one who signed.")
    if standing != "licensed":
        yield _problem("signer", "Only somebody licensed co-signs.")
    if not licence:
        yield _problem("licence", "Give the number of your licence: only a licence lets co-sign.")


def _problem(name: str, text: str) -> Issue:
    return Issue(text, code=IssueType.BUSINESS_RULE, place=Place(f"http.{name}" if name else ""))


def _roles(visit: Resource, signed: Resource) -> tuple[str, ...]:
    first = "author" if awaited(visit) == "signature" else "verifier"
    return (first,) if awaited(signed) else (first, "legal")


async def _trees(
    txn: Transaction, visit: Resource, before: Resource, names: Names, writing: Writing
) -> list[Resource]:
    """The visit, and if it is final now its parts and what of other records follows from it.

    ``before`` is the visit as it is on file.
    """
    if awaited(visit):
        return [visit]
    own = [before, *(reread(one.content) for one in await txn.identified(names.system, names.prefix))]
    new = await never_signed(txn, own)
    file, zone = await _file(txn, visit), writing.context.zone
    bundle, _ = revise(whole(visit, own, new), file, own, names, zone, never_signed=new)
    return [entry["resource"] for entry in bundle["entry"]]


async def _file(txn: Transaction, visit: Resource) -> OnFile:
    """What else is on file of the person, and signed."""
    id_ = local_target(target(visit.get("subject"))).removeprefix("Patient/")
    patient = await txn.read("Patient", id_) if id_ else None
    if patient is None or patient.deleted:
        return OnFile()
    return (await file_about(txn, reread(patient.content))).signed
