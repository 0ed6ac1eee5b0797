"""A store with people in it, put there directly, and an export read back."""

import asyncio
import random
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from service.fhir import json
from service.fhir.search_keys import extract
from service.jobs.research_export import Computed, Request, ResearchExport
from service.jobs.research_place import releases_in, vaults_in
from service.jobs.research_report import Report
from service.jobs.research_source import ResearchSource
from service.jobs.research_work import Work
from service.store.sqlite import SqliteStore

Tree = dict[str, Any]
NOW = datetime(2026, 9, 20, 10, 0, tzinfo=UTC)
HTEST = {"system": "http://terminology.hl7.org/CodeSystem/v3-ActReason", "code": "HTEST"}
SCT = "http://snomed.info/sct"
DYSPHAGIA = {
    "coding": [{"system": SCT, "code": "40739000", "display": "Dysphagia"}],
    "text": "since the stroke",
}


def patient(id_: str, *, test: bool = False, **more: Any) -> Tree:
    meta = {"meta": {"security": [HTEST]}} if test else {}
    return {"resourceType": "Patient", "id": id_, **meta, "name": [{"family": "Sampleby"}], **more}


def consent(person: str, decision: str = "permit", on: str = "2026-01-27", **more: Any) -> Tree:
    return {
        "resourceType": "Consent",
        "id": f"consent-{person}-{on}-{decision}",
        "status": "inactive" if decision == "withdrawn" else "active",
        "scope": {
            "coding": [{"system": "http://terminology.hl7.org/CodeSystem/consentscope", "code": "research"}]
        },
        "category": [{"text": "research"}],
        "patient": {"reference": f"Patient/{person}"},
        "dateTime": on,
        "policy": [{"uri": "https://clinic.example.org/policy"}],
        "provision": {"type": "permit" if decision == "permit" else "deny", **more},
    }


def about(person: str, type_: str, id_: str, **more: Any) -> Tree:
    return {"resourceType": type_, "id": id_, "subject": {"reference": f"Patient/{person}"}, **more}


def observation(person: str, id_: str, **more: Any) -> Tree:
    return about(person, "Observation", id_, **{"status": "final", "code": DYSPHAGIA, **more})


class Research:
    """What a test needs of one store: put resources in, export, read the lines."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.store = SqliteStore(folder / "test.db", clock=lambda: NOW)
        self.vaults = vaults_in(folder, folder / "key")
        self.releases = releases_in(folder)
        self.lines: list[bytes] = []

    def put(self, resources: Iterable[Tree]) -> None:
        async def work(transaction: Any) -> None:
            for resource in resources:
                keys = extract(resource, zone=ZoneInfo("UTC"))
                await transaction.put(resource["resourceType"], resource["id"], json.dump(resource), keys)

        asyncio.run(self.store.write("test", work))

    def export(
        self,
        *,
        seed: int = 1,
        project: str = "one",
        now: datetime = NOW,
        variant: str = "safe-harbor",
        processes: int = 1,
        computed: Computed | None = None,
        smallest: int = 11,
        **asked: Any,
    ) -> tuple[list[Tree], Report]:
        chance = random.Random(seed)  # noqa: S311 - chance that can be repeated
        request = Request(variant, now, **asked)

        async def lines(run: ResearchExport) -> list[bytes]:
            return [line async for line in run]

        with self.vaults.working(project, variant) as vault, Work(chance, processes) as work:
            source = ResearchSource(self.store, now.date())
            run = ResearchExport(
                source,
                request,
                vault=vault,
                releases=self.releases,
                work=work,
                computed=computed,
                smallest=smallest,
            )
            self.lines = asyncio.run(lines(run))
        return [json.parse(line) for line in self.lines], run.report
