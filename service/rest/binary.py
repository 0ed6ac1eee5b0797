"""Binary: a file as itself, or wrapped in a resource for those who ask for FHIR (FHIR R4 binary.html).

A read that does not name a FHIR format is answered with the file in its own type; a body of another type than
FHIR's is the file itself, and the header ``X-Security-Context`` names what its rights follow.
"""

import base64
import binascii
import re
from dataclasses import replace

from starlette.requests import Request
from starlette.responses import Response

from service.errors import InvalidInput, UnsupportedMediaType
from service.fhir.json import Tree, dump, reread
from service.rest.answers import stored, unchanged, version_headers
from service.rest.call import Call
from service.rest.fields import field, parameter
from service.rest.negotiation import FHIR_TYPES, accepted, answer_type, is_fhir_body, media_type
from service.store.contract import Version

__all__ = ["answer_file", "is_file", "wrapped"]

_CONTEXT = "X-Security-Context"
_HARMLESS = {"Content-Security-Policy": "default-src 'none'; sandbox", "Content-Disposition": "attachment"}
"""A stored page must not run as one of ours."""
_TYPE = re.compile(r"[\w.+-]+/[\w.+-]+\s*(;.*)?", re.ASCII)


def is_file(request: Request) -> bool:
    """Whether the body is a file itself rather than a Binary resource."""
    if not _TYPE.fullmatch(field(request, "content-type")):
        raise UnsupportedMediaType("Content-Type must say what the file is.")
    return not is_fhir_body(request)


async def wrapped(call: Call, id_: str = "") -> bytes:
    """Read the body, a file, and answer the Binary resource that holds it."""
    body = await call.body()
    tree: Tree = {"resourceType": "Binary"}
    if id_:
        tree["id"] = id_
    tree["contentType"] = call.header("content-type")
    if context := call.header(_CONTEXT.lower()):
        tree["securityContext"] = {"reference": context}
    if body:
        tree["data"] = base64.b64encode(body).decode()
    return dump(tree)


async def answer_file(call: Call, version: Version) -> Response:
    """Answer a version of a Binary in the way the caller asks for it."""
    tree = reread(version.content)
    context = tree.get("securityContext", {}).get("reference", "")
    kind = str(tree["contentType"])
    if not _wanted_raw(call.request, kind):
        return await stored(replace(call, media_type=answer_type(call.request)), version)
    if unchanged(call, version):
        return Response(status_code=304, headers=version_headers(version))
    headers = version_headers(version) | _HARMLESS | ({_CONTEXT: context} if context else {})
    return Response(_content(tree), headers=headers | {"Content-Type": kind})


def _wanted_raw(request: Request, kind: str) -> bool:
    """Whether the file's own type is wanted: no FHIR format is named, and it is among those accepted."""
    if parameter(request, "_format"):
        return False
    ranges = accepted(field(request, "accept"))
    if any(one.name in FHIR_TYPES for one in ranges):
        return False
    name = media_type(kind).name
    family = name.partition("/")[0]
    return any(one.name in {name, f"{family}/*", "*/*"} for one in ranges)


def _content(tree: Tree) -> bytes:
    try:
        return base64.b64decode("".join(str(tree.get("data", "")).split()), validate=True)
    except binascii.Error as error:
        raise InvalidInput("The stored data is not base64; ask for the resource itself.") from error
