"""Which format a request is in and which one its answer takes (FHIR R4 http.html, Content Types).

Only JSON is offered. A generic type (``application/json``, ``text/json``) is answered with that type.
"""

from dataclasses import dataclass

from starlette.requests import Request

from service.errors import NotAcceptable, UnsupportedMediaType

__all__ = [
    "FHIR_JSON",
    "FHIR_TYPES",
    "FHIR_VERSION",
    "JSON_TYPES",
    "MediaType",
    "accepted",
    "answer_type",
    "content_type",
    "is_fhir_body",
    "media_type",
    "require_json",
]

FHIR_JSON = "application/fhir+json"
JSON_TYPES = (FHIR_JSON, "application/json", "text/json")
FHIR_TYPES = (FHIR_JSON, "application/fhir+xml")
FHIR_VERSION = "4.0"

_RANGES = {"*/*": FHIR_JSON, "application/*": FHIR_JSON, "text/*": "text/json"}
_FORMATS = {"json": FHIR_JSON} | {name: name for name in JSON_TYPES}
_OFFERED = "This service speaks FHIR R4 (fhirVersion 4.0) as JSON: application/fhir+json or application/json."


@dataclass(frozen=True, slots=True)
class MediaType:
    """``type/subtype`` in lower case, and its parameters with lower-case names."""

    name: str
    parameters: dict[str, str]

    @property
    def quality(self) -> float:
        """The weight of RFC 9110, 1 if absent; 0 if it is no number, which takes the type out."""
        try:
            return float(self.parameters.get("q", "1"))
        except ValueError:
            return 0.0

    @property
    def speaks_r4(self) -> bool:
        """Whether its ``fhirVersion`` parameter, if any, is R4's."""
        return self.parameters.get("fhirversion", FHIR_VERSION) == FHIR_VERSION


def media_type(text: str) -> MediaType:
    """Read one media type with its parameters."""
    name, *rest = text.split(";")
    pairs = (part.partition("=") for part in rest)
    parameters = {key.strip().lower(): value.strip().strip('"') for key, _, value in pairs}
    return MediaType(name.strip().lower(), parameters)


def answer_type(request: Request) -> str:
    """Answer the Content-Type of the answer, or raise NotAcceptable. ``_format`` overrides Accept."""
    wanted = request.query_params.get("_format")
    if wanted:
        # the plus sign of application/fhir+json reaches us as a space if the client did not encode it
        return _chosen([media_type(wanted.replace(" ", "+"))])
    return _chosen(accepted(request))


def accepted(request: Request) -> list[MediaType]:
    """What the Accept headers name, the most wanted first; anything, if they name nothing."""
    header = ",".join(request.headers.getlist("accept"))
    ranges = [media_type(part) for part in header.split(",") if part.strip()]
    return sorted((one for one in ranges if one.quality > 0), key=lambda one: -one.quality) or (
        [] if ranges else [media_type("*/*")]
    )


def is_fhir_body(request: Request) -> bool:
    """Whether the body is said to be a resource: one of FHIR's types, or a plain JSON type."""
    return media_type(request.headers.get("content-type", "")).name in {*FHIR_TYPES, *JSON_TYPES}


def _chosen(ranges: list[MediaType]) -> str:
    for wanted in ranges:
        name = _FORMATS.get(wanted.name) or _RANGES.get(wanted.name)
        if name and wanted.speaks_r4:
            return f"{name}; fhirVersion={FHIR_VERSION}" if "fhirversion" in wanted.parameters else name
    raise NotAcceptable(_OFFERED)


def require_json(request: Request) -> None:
    """Raise UnsupportedMediaType unless the body is FHIR JSON in UTF-8, not compressed."""
    kind = content_type(request, JSON_TYPES)
    if not kind.speaks_r4:
        raise UnsupportedMediaType(_OFFERED)


def content_type(request: Request, accepted: tuple[str, ...]) -> MediaType:
    """Answer the body's media type if it is one of ``accepted``, in UTF-8 and not compressed."""
    kind = media_type(request.headers.get("content-type", ""))
    offered = ", ".join(accepted)
    if kind.name not in accepted:
        raise UnsupportedMediaType(f"Content-Type must be one of: {offered}.")
    if kind.parameters.get("charset", "utf-8").lower() not in {"utf-8", "utf8"}:
        raise UnsupportedMediaType("Send the body in UTF-8.")
    if request.headers.get("content-encoding", "identity").lower() != "identity":
        raise UnsupportedMediaType("Send the body without compression (no Content-Encoding).")
    return kind
