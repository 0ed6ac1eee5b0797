"""``$export`` over HTTP (HL7 FHIR Bulk Data Access 2.0.0, export.html): kick-off, status, files, delete."""

import asyncio
import zlib
from collections.abc import AsyncIterator
from datetime import UTC, datetime
from email.utils import format_datetime
from typing import IO, Any

from msgspec import structs
from starlette.responses import FileResponse, Response, StreamingResponse

from service import errors
from service.errors import Forbidden, InvalidInput, Issue, IssueType, NotFound, ServiceError, Severity
from service.fhir.json import dump, reread
from service.fhir.outcome import operation_outcome
from service.fhir.references import local_target
from service.jobs.bulk_export import BulkExports
from service.jobs.bulk_job import BulkFolder, BulkJob, Kind, Progress
from service.jobs.bulk_release import research_request
from service.jobs.research_export import usable
from service.operations.bulk_parameters import BulkRequest, Level, bulk_request
from service.rest.answers import answer, reads_gzip
from service.rest.call import Call
from service.rest.described import FAILED
from service.security.asker import asker_of
from service.security.audit import facts_of, request_line
from service.security.scopes import RESEARCH_EXPORT, RESTRICTED, VERY_RESTRICTED, Scopes
from service.store.audit import AUDIT
from service.store.contract import Settled, Store

__all__ = [
    "DELETE_DOCS",
    "FILE_DOCS",
    "NDJSON",
    "STATUS_DOCS",
    "export_everything",
    "export_group",
    "export_patients",
    "file",
    "remove",
    "status",
]

NDJSON = "application/fhir+ndjson"
_JSON = "application/json"
_PIECE = 1 << 18
_KINDS: tuple[Kind, ...] = ("output", "deleted", "error")
_ID = {"name": "id", "in": "path", "required": True, "schema": {"type": "string"}}
_FILE = {"name": "file", "in": "path", "required": True, "schema": {"type": "string"}}


def _docs(summary: str, parameters: list[Any], good: dict[str, Any]) -> dict[str, Any]:
    failed = {"4XX": FAILED, "500": FAILED, "503": FAILED}
    return {"tags": ["Bulk data"], "summary": summary, "parameters": parameters, "responses": good | failed}


STATUS_DOCS = _docs(
    "Where a bulk export stands",
    [_ID],
    {
        "200": {"description": "The manifest.", "content": {_JSON: {"schema": {"type": "object"}}}},
        "202": {"description": "It is being written; X-Progress tells how far, Retry-After when to ask."},
    },
)
DELETE_DOCS = _docs("End a bulk export, or remove its files", [_ID], {"202": {"description": "It is gone."}})
FILE_DOCS = _docs(
    "A file of a bulk export",
    [_ID, _FILE],
    {
        "200": {
            "description": "One resource a line.",
            "content": {NDJSON: {"schema": {"type": "string"}}},
        }
    },
)


async def export_everything(call: Call) -> Response:
    """Begin to export everything that is stored and the caller may read."""
    return await _begun(call, "")


async def export_patients(call: Call) -> Response:
    """Begin to export what is about patients."""
    return await _begun(call, "Patient")


async def export_group(call: Call) -> Response:
    """Begin to export what is about the members of a Group."""
    return await _begun(call, "Group")


async def status(call: Call) -> Response:
    """Tell how far an export has come; when it has ended its manifest, or why it failed."""
    bulk, (job, folder) = call.bulk, await _mine(call)
    progress = folder.progress
    if progress is None:
        raise _nothing()
    if not progress.ended:
        bulk.pace.take(job.id)
        wait = {"Retry-After": str(max(1, round(call.services.settings.export_poll_seconds)))}
        return Response(status_code=202, headers={"X-Progress": _told(job, progress), **wait})
    if progress.error:
        raise _failure(progress)
    manifest: dict[str, Any] = {
        "transactionTime": job.moment,
        "request": job.address,
        "requiresAccessToken": True,
        **{kind: _pieces(job, progress, kind) for kind in _KINDS},
    }
    return Response(dump(manifest), media_type=_JSON, headers={"Expires": _expires(bulk, progress)})


async def file(call: Call) -> Response:
    """Answer one file of an export, compressed for who reads gzip."""
    bulk, (_, folder) = call.bulk, await _mine(call)
    name, progress = call.path("file"), folder.progress
    if progress is None or not progress.ended or name not in {piece.name for piece in progress.pieces}:
        raise _nothing()
    path = folder.path / name
    headers = {"Expires": _expires(bulk, progress), "Vary": "Accept-Encoding"}
    if not reads_gzip(call):
        return FileResponse(path, media_type=NDJSON, headers=headers)
    try:
        opened = await asyncio.to_thread(path.open, "rb")
    except FileNotFoundError:
        raise _nothing() from None
    headers["Content-Encoding"] = "gzip"
    return StreamingResponse(_packed(opened), media_type=NDJSON, headers=headers)


async def remove(call: Call) -> Response:
    """End an export that is being written, or remove its files."""
    _, folder = await _mine(call)
    await asyncio.to_thread(folder.remove)
    return Response(status_code=202)


async def _begun(call: Call, level: Level) -> Response:
    scopes = _systems(call.principal.scopes)
    research = not scopes.grants
    preferences = {part.strip().lower() for part in call.header("prefer").replace(";", ",").split(",")}
    if level == "Group":
        call.allow("r", "Group")
    if "respond-async" not in preferences:
        raise InvalidInput("An export is answered later: send the header 'Prefer: respond-async'.")
    bulk, asker = call.bulk, asker_of(call.principal, scopes, call.base)
    store = bulk.seen_by(asker, call.base)
    request = await bulk_request(
        level,
        call.criteria,
        await call.resource_body(optional=True) if call.request.method == "POST" else b"",
        store=store,
        research=research,
        may=lambda type_: scopes.allow("r", type_),
        context=call.context,
    )
    if research:
        request = structs.replace(request, variant=request.variant or call.services.settings.export_variant)
        usable(research_request(request, call.services.now()))
    moment, settled = await bulk.settled()
    request = await _of_whom(call, request, store, settled)
    id_ = await bulk.begin(
        asker, request, moment=moment, settled=settled, base=call.base, address=_address(call)
    )
    if (facts := facts_of(call.request.scope)) is not None:
        facts.query = f"{request_line(call.request.scope)} {id_}"
    taken_on = Issue("The export was taken on.", Severity.INFORMATION, IssueType.INFORMATIONAL)
    return await answer(
        call,
        dump(operation_outcome([taken_on])),
        status=202,
        headers={"Content-Location": _at(call.base, id_)},
    )


def _systems(scopes: Scopes) -> Scopes:
    """What a token opens for an export: what it says of systems, else the right to export for research."""
    grants = tuple(
        one for one in scopes.grants if one.level == "system" and "r" in one.actions and one.type != AUDIT
    )
    if grants:
        return Scopes(scopes.plain & {RESTRICTED, VERY_RESTRICTED}, grants)
    if RESEARCH_EXPORT in scopes.plain:
        return Scopes(frozenset({RESEARCH_EXPORT}))
    raise Forbidden("An export is for systems: it needs a scope such as 'system/*.rs', or 'research-export'.")


async def _of_whom(call: Call, request: BulkRequest, store: Store, settled: Settled) -> BulkRequest:
    """The request with the patients it is about, as far as it names any."""
    if request.level == "Group":
        members = await _members(call.path("id"), store, settled, call.base)
        named = members if request.patients is None else request.patients
        missing = [one for one in named if one not in members]
        request = structs.replace(request, group=call.path("id"), patients=tuple(named))
    else:
        named = request.patients or ()
        found = [await store.read("Patient", one) for one in named]
        missing = [id_ for id_, one in zip(named, found, strict=True) if one is None or one.deleted]
    if not missing:
        return request
    if (facts := facts_of(call.request.scope)) is not None:  # that they are not there is told
        for one in missing:
            facts.ask("Patient", one)
    where = "a member of this Group" if request.level == "Group" else "on file"
    told = tuple(f"Parameter 'patient': Patient/{one[:64]} is not {where}." for one in missing)
    if not call.context.lenient:
        raise InvalidInput([Issue(text, code=IssueType.NOT_FOUND) for text in told])
    kept = tuple(one for one in named if one not in missing)
    return structs.replace(request, patients=kept, left_out=(*request.left_out, *told))


async def _members(id_: str, store: Store, settled: Settled, base: str) -> tuple[str, ...]:
    """The ids of the active members of a Group, as it was then, who are patients."""
    group = await store.read("Group", id_)
    while group is not None and group.sequence > settled.sequence and group.version > 1:
        group = await store.vread("Group", id_, group.version - 1)
    if group is None or group.deleted:
        raise NotFound("There is no such Group.")
    found = [
        local_target(member.get("entity", {}).get("reference", ""), base)
        for member in reread(group.content).get("member", ())
        if not member.get("inactive")
    ]
    return tuple(dict.fromkeys(one.removeprefix("Patient/") for one in found if one.startswith("Patient/")))


async def _mine(call: Call) -> tuple[BulkJob, BulkFolder]:
    """The export of the path, for who asked for it and may still; NotFound for everybody else."""
    folder = call.bulk.exports.find(call.path("id"))
    job = await asyncio.to_thread(lambda: folder.job)
    one = call.principal
    if job is None or not job.asker.is_same(one.issuer, one.subject, one.client):
        raise _nothing()
    asked = Scopes.parse(job.asker.scopes)
    if asked.within(one.scopes) != asked:
        raise Forbidden("Your access token no longer allows what this export was asked for with.")
    return job, folder


def _nothing() -> NotFound:
    return NotFound("There is no such export, or no such file of it; it may have been removed.")


def _failure(progress: Progress) -> ServiceError:
    """Why an export failed, as the error that it was."""
    kind = getattr(errors, progress.error, ServiceError)
    problems = [Issue(one.text, code=IssueType(one.code)) for one in progress.problems]
    failed: ServiceError = kind(problems)
    return failed


def _told(job: BulkJob, progress: Progress) -> str:
    if not progress.lines:
        return "waiting, or at its beginning"
    return f"{progress.lines} lines, {100 * progress.position // max(1, job.end)} percent"


def _pieces(job: BulkJob, progress: Progress, kind: Kind) -> list[dict[str, Any]]:
    return [
        {"type": one.type, "url": f"{_at(job.base, job.id)}/{one.name}", "count": one.count}
        for one in progress.pieces
        if one.kind == kind
    ]


def _at(base: str, id_: str) -> str:
    return f"{base.removesuffix('/fhir')}/bulk/{id_}"


def _address(call: Call) -> str:
    """The URL of the kick-off, without what was posted."""
    scope = call.request.scope
    query = scope["query_string"].decode("utf-8", "replace")
    return f"{call.base.removesuffix('/fhir')}{scope['path']}{'?' if query else ''}{query}"


def _expires(bulk: BulkExports, progress: Progress) -> str:
    return format_datetime(datetime.fromtimestamp(bulk.expires(progress), UTC), usegmt=True)


async def _packed(opened: IO[bytes]) -> AsyncIterator[bytes]:
    """A file's bytes as gzip, piece by piece."""
    packing = zlib.compressobj(1, wbits=31)
    with opened:
        while piece := await asyncio.to_thread(opened.read, _PIECE):
            if packed := await asyncio.to_thread(packing.compress, piece):
                yield packed
    yield packing.flush()
