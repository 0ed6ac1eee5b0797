"""Two patients of two clinicians, for tests of who reaches what.

Ann is in the care of Dora (her team) and Ben in that of Eric (his general practitioner). Everything of one
has its like of the other, under ids that end in their names.
"""

from collections.abc import Callable
from typing import Any

from httpx import ASGITransport, AsyncClient

from service.security.development_issuer import DevelopmentIssuer

CONFIDENTIALITY = "http://terminology.hl7.org/CodeSystem/v3-Confidentiality"
CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
PEOPLE = ("ann", "ben")
DORA, ERIC = "Practitioner/dora", "Practitioner/eric"
Tree = dict[str, Any]


def text(code: str) -> Tree:
    return {"text": code}


def ref(target: str) -> Tree:
    return {"reference": target}


def label(code: str) -> Tree:
    return {"security": [{"system": CONFIDENTIALITY, "code": code}]}


def observation(id_: str, who: str, **more: Any) -> Tree:
    code = {"coding": [{"system": "http://loinc.org", "code": "29463-7"}]}
    return {
        "resourceType": "Observation",
        "id": id_,
        "status": "final",
        "code": code,
        "subject": ref(f"Patient/{who}"),
        "effectiveDateTime": "2026-05-01",
        **more,
    }


def of_category(code: str) -> Tree:
    return {"category": [{"coding": [{"system": CATEGORY, "code": code}]}]}


VITAL_SIGNS = of_category("vital-signs")


def _of_one(who: str) -> list[Tree]:
    subject = {"subject": ref(f"Patient/{who}")}
    ended = "http://terminology.hl7.org/CodeSystem/condition-clinical"
    return [
        {
            "resourceType": "Encounter",
            "id": f"visit-{who}",
            "status": "finished",
            "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "AMB"},
            **subject,
        },
        observation(f"weight-{who}", who, encounter=ref(f"Encounter/visit-{who}"), **of_category("exam")),
        observation(f"vital-{who}", who, **of_category("vital-signs")),
        observation(f"secret-{who}", who, meta=label("R")),
        {
            "resourceType": "Goal",
            "id": f"goal-{who}",
            "lifecycleStatus": "active",
            "description": text(f"Eat at home, {who}"),
            **subject,
        },
        {
            "resourceType": "Condition",
            "id": f"condition-{who}",
            "clinicalStatus": {"coding": [{"system": ended, "code": "active"}]},
            "code": text("Dysphagia"),
            **subject,
        },
        {"resourceType": "Flag", "id": f"flag-{who}", "status": "active", "code": text("Fall"), **subject},
        {
            "resourceType": "List",
            "id": f"list-{who}",
            "status": "current",
            "mode": "working",
            "entry": [{"item": ref(f"Observation/weight-{one}")} for one in PEOPLE],
            **subject,
        },
        {
            "resourceType": "Binary",
            "id": f"file-{who}",
            "contentType": "text/plain",
            "securityContext": ref(f"Observation/weight-{who}"),
            "data": "YQ==",
        },
        {
            "resourceType": "Provenance",
            "id": f"origin-{who}",
            "target": [ref(f"Observation/weight-{who}")],
            "recorded": "2026-05-01T10:00:00Z",
            "agent": [{"who": ref(DORA)}],
        },
    ]


def stay() -> list[Tree]:
    """Everything that is on file."""
    people: list[Tree] = [
        {"resourceType": "Organization", "id": "clinic", "name": "Clinic"},
        *({"resourceType": "Practitioner", "id": one, "name": [{"family": one}]} for one in ("dora", "eric")),
        {"resourceType": "Patient", "id": "ann", "name": [{"family": "Ann"}], "birthDate": "1950-01-01"},
        {
            "resourceType": "Patient",
            "id": "ben",
            "name": [{"family": "Ben"}],
            "birthDate": "1940-01-01",
            "generalPractitioner": [ref(ERIC)],
        },
        {
            "resourceType": "CareTeam",
            "id": "team-ann",
            "status": "active",
            "subject": ref("Patient/ann"),
            "participant": [{"member": ref(DORA)}],
        },
        {
            "resourceType": "CareTeam",
            "id": "team-ben",
            "status": "inactive",
            "subject": ref("Patient/ben"),
            "participant": [{"member": ref(DORA)}],
        },
        {
            "resourceType": "Group",
            "id": "both",
            "type": "person",
            "actual": True,
            "member": [{"entity": ref(f"Patient/{one}")} for one in PEOPLE],
        },
        observation("shared", "ann", performer=[ref("Patient/ben")]),
    ]
    return [*people, *(tree for who in PEOPLE for tree in _of_one(who))]


class Ward:
    """The running service and clients of whoever asks."""

    def __init__(self, app: Any, issuer: DevelopmentIssuer, now: Callable[[], float]) -> None:
        self.app = app
        self._issuer = issuer
        self._now = now
        self.clients: list[AsyncClient] = []

    def client(
        self, scope: str, *, user: str = "", patient: str = "", subject: str = "somebody", **headers: str
    ) -> AsyncClient:
        """Somebody with such a token; ``user`` is the person, ``patient`` whom the token is about."""
        token = self._issuer.sign(subject, scope, now=self._now(), fhir_user=user, patient=patient)
        sent = {"Authorization": f"Bearer {token}", **headers}
        made = AsyncClient(transport=ASGITransport(self.app), base_url="http://test", headers=sent)
        self.clients.append(made)
        return made

    def dora(self, scope: str = "user/*.cruds", **headers: str) -> AsyncClient:
        """Ann's clinician."""
        return self.client(scope, user=DORA, **headers)

    async def fill(self) -> None:
        """File everything."""
        entries = [
            {"resource": tree, "request": {"method": "PUT", "url": f"{tree['resourceType']}/{tree['id']}"}}
            for tree in stay()
        ]
        bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
        answer = await self.client("system/*.cruds restricted").post("/fhir", json=bundle)
        assert answer.status_code == 200, answer.text

    async def close(self) -> None:
        for client in self.clients:
            await client.aclose()
