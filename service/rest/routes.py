"""Every address of the service but the pages: method, path, function, and the scopes that open it."""

from service.jobs.table_files import MEDIA_TYPES
from service.operations.decision import DECIDING
from service.operations.goal_attainment import READS
from service.rest import (
    bulk,
    cds_hooks,
    cohort,
    decisions,
    fhir,
    health,
    intake,
    metadata,
    oauth,
    operating,
    operations,
    research,
    security_txt,
    subscriptions,
    terminology,
    views,
)
from service.rest.dispatch import OPEN, Row

__all__ = ["API_ROUTES", "FHIR_ROUTES"]

_READS = " ".join(f"{type_}.r" for type_ in READS)
_COHORT = f"Patient.s {_READS}"
_GOALS = "/fhir/Patient/{id}/$goal-attainment"
_CDS = f"/cds-services/{cds_hooks.SERVICE}"
_CHANGES = "/fhir/Encounter/{id}/$signed-changes"
_META = "/fhir/{type}/{id}/$meta"
_VALIDATE = "/fhir/{type}/{id}/$validate"
_ANY_RIGHT = ("{type}.r", "{type}.s", "{type}.c", "{type}.u")
_FIRST = [  # most requests are for it
    Row("GET", "/fhir/{type}/{id}", fhir.read, ("{type}.r",)),
    Row("PUT", "/fhir/{type}/{id}", fhir.update, ("{type}.u",)),
    Row("PATCH", "/fhir/{type}/{id}", fhir.patch, ("{type}.u",)),
    Row("DELETE", "/fhir/{type}/{id}", fhir.delete, ("{type}.d",)),
]
_EXPORTING = ("*.r", "research-export")
_VALUE_SETS = ("ValueSet.r CodeSystem.r",)
_CODE_SYSTEMS = ("CodeSystem.r",)
_CONCEPT_MAPS = ("ConceptMap.r",)
_TERMINOLOGY = [
    Row(method, f"/fhir/{path}", function, needs, operation=f"{path.partition('/')[0].lower()}-{name}")
    for type_, name, function, needs, levels in (
        ("ValueSet", "expand", terminology.value_set_expand, _VALUE_SETS, ("", "/{id}")),
        ("ValueSet", "validate-code", terminology.value_set_has, _VALUE_SETS, ("", "/{id}")),
        ("CodeSystem", "validate-code", terminology.code_system_has, _CODE_SYSTEMS, ("", "/{id}")),
        ("CodeSystem", "lookup", terminology.code_system_lookup, _CODE_SYSTEMS, ("",)),
        ("CodeSystem", "subsumes", terminology.code_system_subsumes, _CODE_SYSTEMS, ("", "/{id}")),
        ("ConceptMap", "translate", terminology.concept_map_translate, _CONCEPT_MAPS, ("", "/{id}")),
    )
    for path in (f"{type_}{level}/${name}" for level in levels)
    for method in ("GET", "POST")
]
_OPERATIONS = [
    Row("GET", "/fhir/$versions", operations.versions, OPEN, operation="versions"),
    Row("POST", "/fhir/$versions", operations.versions, OPEN, operation="versions"),
    Row("GET", _GOALS, operations.attainment, (_READS,), operation="goal-attainment"),
    Row("POST", _GOALS, operations.attainment, (_READS,), operation="goal-attainment"),
    Row(
        "POST",
        "/fhir/Patient/{id}/$record-goal-attainment",
        operations.record_attainment,
        (f"goal-decisions {_READS}", f"Observation.c Provenance.c {_READS}"),
        operation="record-goal-attainment",
    ),
    *(
        Row(method, path, operations.evaluate, (_COHORT,), operation="evaluate-measure")
        for path in ("/fhir/Measure/$evaluate-measure", "/fhir/Measure/{id}/$evaluate-measure")
        for method in ("GET", "POST")
    ),
    *(
        Row("POST", f"/fhir/{type_}/{{id}}/${name}", function, DECIDING[type_], operation=name)
        for type_, name, function in (
            ("Goal", "accept-status", decisions.accept),
            ("Goal", "override-status", decisions.override),
            ("Encounter", "exclude-visit", decisions.exclude),
            ("Observation", "mark-not-observable", decisions.mark),
            ("Provenance", "undo", decisions.take_back),
        )
    ),
    Row(
        "POST",
        "/fhir/Encounter/{id}/$sign-visit",
        decisions.sign,
        DECIDING["signature"],
        operation="sign-visit",
    ),
    *(
        Row(method, _CHANGES, operations.visit_changes, ("Encounter.r",), operation="signed-changes")
        for method in ("GET", "POST")
    ),
    *(
        Row(method, f"/fhir/{type_}/{{id}}/$everything", function, (f"{type_}.r",), operation=name)
        for type_, function, name in (
            ("Patient", operations.patient_everything, "patient-everything"),
            ("Encounter", operations.encounter_everything, "encounter-everything"),
        )
        for method in ("GET", "POST")
    ),
    Row(
        "GET", "/fhir/Observation/$lastn", operations.last_observations, ("Observation.s",), operation="lastn"
    ),
    Row(
        "POST",
        "/fhir/Observation/$lastn",
        operations.last_observations,
        ("Observation.s",),
        operation="lastn",
    ),
    *(
        Row(method, f"/fhir/Subscription/{level}", function, ("Subscription.r",), operation=name)
        for level, function, name in (
            ("$status", subscriptions.status, "subscription-status"),
            ("{id}/$status", subscriptions.status_of_one, "subscription-status"),
            ("{id}/$events", subscriptions.events, "subscription-events"),
        )
        for method in ("GET", "POST")
    ),
    *_TERMINOLOGY,
    *(
        Row(method, path, operations.meta_in_use, needs, operation="meta")
        for path, needs in (("/fhir/$meta", ("*.r",)), ("/fhir/{type}/$meta", ("{type}.r",)))
        for method in ("GET", "POST")
    ),
    Row("GET", _META, operations.meta, ("{type}.r",), operation="meta"),
    Row("POST", _META, operations.meta, ("{type}.r",), operation="meta"),
    Row("POST", f"{_META}-add", operations.meta_add, ("{type}.u",), operation="meta-add"),
    Row("POST", f"{_META}-delete", operations.meta_delete, ("{type}.u",), operation="meta-delete"),
    Row("GET", _VALIDATE, operations.validate, ("{type}.r",), operation="validate"),
    Row("POST", _VALIDATE, operations.validate, _ANY_RIGHT, operation="validate"),
    Row("POST", "/fhir/{type}/$validate", operations.validate, _ANY_RIGHT, operation="validate"),
]
_BUNDLE = fhir.bundler(_OPERATIONS)
_VIEWS = [  # rows are no resource, so that they are no entry of a Bundle
    Row(
        method,
        "/fhir/$viewdefinition-run",
        views.run,
        ("*.r", "research-export"),
        produces=MEDIA_TYPES["ndjson"],
        docs=views.RUN_DOCS,
        operation="viewdefinition-run",
    )
    for method in ("GET", "POST")
]
_EXPORTS = [  # answered later, so that they are no entry of a Bundle either
    Row(method, f"/fhir/{path}$export", function, needs, operation=name)
    for path, function, needs, name in (
        ("", bulk.export_everything, _EXPORTING, "export"),
        ("Patient/", bulk.export_patients, _EXPORTING, "patient-export"),
        ("Group/{id}/", bulk.export_group, ("Group.r",), "group-export"),
    )
    for method in ("GET", "POST")
]
_RESTFUL = [
    *_FIRST,
    Row("GET", "/fhir", fhir.search_everything, ("*.s",)),
    Row("POST", "/fhir", _BUNDLE, ("*.cruds",)),
    Row("GET", "/fhir/", fhir.search_everything, ("*.s",)),
    Row("POST", "/fhir/", _BUNDLE, ("*.cruds",)),
    Row("POST", "/fhir/_search", fhir.search_everything_by_form, ("*.s",)),
    Row("GET", "/fhir/_history", fhir.history_of_everything, ("*.r",)),
    *_OPERATIONS,
    *_VIEWS,
    *_EXPORTS,
    Row("POST", "/fhir/{type}/_search", fhir.search_by_form, ("{type}.s",)),
    Row("GET", "/fhir/{type}/_history", fhir.history_of_type, ("{type}.r",)),
    Row("GET", "/fhir/{type}", fhir.search, ("{type}.s",)),
    Row("POST", "/fhir/{type}", fhir.create, ("{type}.c",)),
    Row("PUT", "/fhir/{type}", fhir.update_matching, ("{type}.u",)),
    Row("PATCH", "/fhir/{type}", fhir.patch_matching, ("{type}.u",)),
    Row("DELETE", "/fhir/{type}", fhir.delete_matching, ("{type}.d",)),
    Row("GET", "/fhir/{type}/{id}/_history", fhir.history, ("{type}.r",)),
    Row("GET", "/fhir/{type}/{id}/_history/{version}", fhir.vread, ("{type}.r",)),
    Row("GET", "/fhir/{compartment}/{id}/{member}", fhir.search_compartment, ("*.s",)),
    Row("POST", "/fhir/{compartment}/{id}/{member}/_search", fhir.search_compartment_by_form, ("*.s",)),
]

FHIR_ROUTES = [
    *_FIRST,
    Row("GET", "/health/live", health.live, OPEN),
    Row("GET", "/health/ready", health.ready, OPEN),
    Row("GET", "/fhir/metadata", metadata.reader(_RESTFUL), OPEN),
    *(
        Row("GET", f"{at}/.well-known/smart-configuration", oauth.configuration, OPEN, docs=oauth.SMART_DOCS)
        for at in ("", "/fhir")
    ),
    Row(
        "GET",
        "/.well-known/security.txt",
        security_txt.security_txt,
        OPEN,
        docs=security_txt.SECURITY_TXT_DOCS,
    ),
    Row("GET", "/cds-services", cds_hooks.services, OPEN, docs=cds_hooks.SERVICES_DOCS),
    Row("POST", _CDS, cds_hooks.patient_view, OPEN, docs=cds_hooks.CARDS_DOCS),
    Row("POST", f"{_CDS}/feedback", cds_hooks.feedback, OPEN, docs=cds_hooks.FEEDBACK_DOCS),
    Row("GET", "/oauth/authorize", oauth.authorize, OPEN, docs=oauth.AUTHORIZE_DOCS),
    Row("POST", "/oauth/token", oauth.token, OPEN, docs=oauth.TOKEN_DOCS),
    Row("GET", "/bulk/{id}", bulk.status, _EXPORTING, "application/json", bulk.STATUS_DOCS),
    Row("DELETE", "/bulk/{id}", bulk.remove, _EXPORTING, "application/json", bulk.DELETE_DOCS),
    Row("GET", "/bulk/{id}/{file}", bulk.file, _EXPORTING, bulk.NDJSON, bulk.FILE_DOCS),
    Row("GET", "/oauth/jwks", oauth.jwks, OPEN, docs=oauth.JWKS_DOCS),
    *_RESTFUL[len(_FIRST) :],
]

API_ROUTES = [
    Row("POST", "/intake/visits", intake.post_visit, ("intake",), docs=intake.POST_DOCS),
    Row(
        "GET",
        "/intake/visit-record.schema.json",
        intake.record_schema,
        ("intake",),
        produces=intake.SCHEMA_JSON,
        docs=intake.SCHEMA_DOCS,
    ),
    Row(
        "GET",
        "/research/export",
        research.export,
        ("research-export",),
        produces=research.NDJSON,
        docs=research.EXPORT_DOCS,
    ),
    Row(
        "GET",
        "/research/cohort",
        cohort.cohort,
        ("research-export",),
        produces=cohort.FHIR_JSON,
        docs=cohort.DOCS,
    ),
    Row(
        "GET",
        "/metrics",
        operating.metrics,
        ("operate",),
        produces="text/plain",
        docs=operating.METRICS_DOCS,
        knows=operating.collector,
    ),
]
