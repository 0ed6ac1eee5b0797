"""Every address of the service but the pages: method, path, function, and the scopes that open it."""

from service.rest import fhir, health, metadata, research
from service.rest.dispatch import OPEN, Row

__all__ = ["API_ROUTES", "FHIR_ROUTES"]

_RESTFUL = [
    Row("POST", "/fhir", fhir.bundle, ("*.cruds",)),
    Row("POST", "/fhir/", fhir.bundle, ("*.cruds",)),
    Row("POST", "/fhir/{type}/_search", fhir.search_by_form, ("{type}.s",)),
    Row("GET", "/fhir/{type}", fhir.search, ("{type}.s",)),
    Row("POST", "/fhir/{type}", fhir.create, ("{type}.c",)),
    Row("PUT", "/fhir/{type}", fhir.update_matching, ("{type}.u",)),
    Row("DELETE", "/fhir/{type}", fhir.delete_matching, ("{type}.d",)),
    Row("GET", "/fhir/{type}/{id}", fhir.read, ("{type}.r",)),
    Row("PUT", "/fhir/{type}/{id}", fhir.update, ("{type}.u",)),
    Row("DELETE", "/fhir/{type}/{id}", fhir.delete, ("{type}.d",)),
    Row("GET", "/fhir/{type}/{id}/_history", fhir.history, ("{type}.r",)),
    Row("GET", "/fhir/{type}/{id}/_history/{version}", fhir.vread, ("{type}.r",)),
]

FHIR_ROUTES = [
    Row("GET", "/health/live", health.live, OPEN),
    Row("GET", "/health/ready", health.ready, OPEN),
    Row("GET", "/fhir/metadata", metadata.reader(_RESTFUL), OPEN),
    *_RESTFUL,
]

API_ROUTES = [
    Row(
        "GET",
        "/research/export",
        research.export,
        ("research-export",),
        produces=research.NDJSON,
        docs=research.EXPORT_DOCS,
    ),
]
