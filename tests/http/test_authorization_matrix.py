"""Every address, every kind of caller, what is theirs and what is not: as the written policy says.

The policy (``matrix_policy.py``) knows nothing of the service. Each cell is one request.
"""

from collections import Counter
from collections.abc import Callable, Iterator
from itertools import count
from typing import Any

import msgspec
import pytest
from httpx import ASGITransport, AsyncClient, Response
from matrix_policy import BEYOND, PAGES, RULES, SHARED, TOKENS, Rule, Token, Whose
from starlette.responses import Response as Answer
from ward import DORA, VITAL_SIGNS, Tree, Ward, observation, ref

from service.rest.dispatch import Row
from service.rest.front import Front
from service.rest.routes import API_ROUTES, FHIR_ROUTES
from service.shipped import shipped

pytestmark = [pytest.mark.anyio, pytest.mark.conformance("I4"), pytest.mark.conformance("I5")]

FEWEST_CELLS = 2_000
NAMES: dict[str, dict[Whose, str]] = {
    "Observation": {"own": "vital-ann", "other": "vital-ben"},
    "Goal": {"own": "goal-ann", "other": "goal-ben"},
    "Patient": {"own": "ann", "other": "ben"},
    "Encounter": {"own": "visit-ann", "other": "visit-ben"},
    "Provenance": {"own": "origin-ann", "other": "origin-ben"},
    "Practitioner": {"own": "dora", "other": "eric"},
    "Group": {"own": "both", "other": "both"},
}
WALKED = ("Observation", "Goal", "Patient", "Practitioner", "Group")
"""Types that addresses of any type are asked for: owned, shared, beyond."""
_turn = count()


def asking(ward: Ward, token: Token) -> AsyncClient:
    if not token.scope:
        client = AsyncClient(transport=ASGITransport(ward.app), base_url="http://test")
        ward.clients.append(client)
        return client
    user = DORA if token.level in {"", "user"} and token.person else ""
    patient = "ann" if token.level == "patient" and token.person else ""
    return ward.client(token.scope, user=user, patient=patient)


def changed(tree: Tree) -> Tree:
    """The resource with something in it that was not there before."""
    return {**tree, "language": f"de-x-n{next(_turn)}"}


def new(type_: str, whose: Whose) -> Tree:
    """A resource of a type to create, about whom it says."""
    who = NAMES["Patient"][whose]
    shapes: dict[str, Tree] = {
        "Observation": observation("x", who, **VITAL_SIGNS),
        "Goal": {"lifecycleStatus": "active", "description": {"text": "x"}, "subject": ref(f"Patient/{who}")},
        "Patient": {"name": [{"family": "New"}]},
        "Practitioner": {"name": [{"family": "New"}]},
        "Group": {"type": "person", "actual": True, "member": [{"entity": ref(f"Patient/{who}")}]},
    }
    return {**{name: value for name, value in shapes[type_].items() if name != "id"}, "resourceType": type_}


class Cells:
    """The requests of one address for one type and whose."""

    def __init__(self, method: str, path: str, type_: str, whose: Whose, stored: dict[str, Tree]) -> None:
        self.method, self.template, self.type, self.whose = method, path, type_, whose
        self.name = NAMES.get(type_, {}).get(whose, "x")
        self.stored = stored.get(f"{type_}/{self.name}", {})
        self.rule: Rule = RULES[method, path]

    def request(self) -> tuple[str, dict[str, str], Any]:
        """Address, query and body."""
        return self._path(), self._query(), self._content()

    async def ask(self, client: AsyncClient) -> Response:
        headers = {"If-Match": 'W/"999"'} if self.rule.kind in {"delete", "decision"} else {}
        path, query, content = self.request()
        if self.method == "PATCH":
            headers["Content-Type"] = "application/json-patch+json"
        if self.template.endswith("_search"):
            return await client.post(path, data=query)
        return await client.request(self.method, path, params=query, json=content, headers=headers)

    def _path(self) -> str:
        who = NAMES["Patient"][self.whose]
        path = self.template.replace("{compartment}/{id}/{member}", f"Patient/{who}/Observation")
        return path.replace("{type}", self.type).replace("{id}", self.name).replace("{version}", "1")

    def _query(self) -> dict[str, str]:
        if "$lastn" in self.template:
            return {"patient": NAMES["Patient"][self.whose], "code": "29463-7", "max": "50"}
        if self.template in {"/fhir", "/fhir/", "/fhir/_search"}:
            return {"_id": self.name, "_type": "Observation"}
        conditional = self.template == "/fhir/{type}" and self.method != "POST"
        return {"_id": self.name} if conditional or self.template.endswith("/_search") else {}

    def _content(self) -> Any:
        if self.method == "PATCH":
            return [{"op": "add", "path": "/language", "value": changed({})["language"]}]
        if self.method == "PUT":
            return changed(self.stored)
        return self._posted() if self.method == "POST" else None

    def _posted(self) -> Tree | None:
        if self.rule.kind == "batch":
            request = {"method": "GET", "url": f"Observation/{self.name}"}
            return {"resourceType": "Bundle", "type": "batch", "entry": [{"request": request}]}
        if self.rule.kind == "create":
            return new(self.type, self.whose)
        if "$meta-" in self.template:
            tag = {"tag": [{"system": "urn:x", "code": f"n{next(_turn)}"}]}
            return {"resourceType": "Parameters", "parameter": [{"name": "meta", "valueMeta": tag}]}
        if self.rule.kind == "decision":
            given = [{"name": "reason", "valueString": "Seen."}]
            return {"resourceType": "Parameters", "parameter": given}
        return self.stored if self.template.endswith("$validate") else None

    def expect(self, token: Token) -> str:
        """What becomes of the request: told in a word."""
        if self.rule.kind == "open":
            return "answered"
        if not token.scope:
            return "unknown"
        if not token.meets(tuple(one.replace("{type}", self.type) for one in self.rule.needs)):
            return "forbidden"
        fits = self.type == "Observation"
        reads = token.reaches(self.type, self.whose, fits=fits)
        writes = token.writes(self.type, self.whose, fits=fits)
        told = {
            "instance": "answered" if reads else "hidden",
            "list": "found" if reads else "not found",
            "batch": "found" if reads and token.may("r", "Observation") else "not found",
            "whole": "answered" if token.level == "system" and not token.filtered else "forbidden",
            "write": "answered" if writes else ("forbidden" if reads else "hidden"),
            "create": "answered" if self._creates(token) else "forbidden",
            "decision": "decided" if reads else "undecided",
            "export": "answered" if token.exports else "forbidden",
        }
        return told.get(self.rule.kind, "answered")

    def _creates(self, token: Token) -> bool:
        if self.type == "Patient":  # a new one is nobody's yet: clinicians take them in
            clinician = token.level == "user" and token.person
            return (token.level == "system" or clinician) and not token.filtered
        return token.writes(self.type, self.whose, fits=self.type == "Observation")

    def outcome(self, answer: Response, token: Token) -> str:
        """What became of it."""
        if self.rule.kind == "open":  # a program that no token names yet may be unknown to it
            return "answered"
        told = {401: "unknown", 403: "forbidden"}.get(answer.status_code)
        if told:
            return told
        assert answer.status_code < 500, answer.text
        if self.rule.kind in {"list", "batch"}:
            text = answer.text.replace(str(answer.url), "")
            return "found" if f'"id":"{self.name}"' in text.replace(" ", "") else "not found"
        if self.rule.kind == "decision":
            reached = token.reaches(self.type, self.whose, fits=self.type == "Observation")
            told_of = answer.status_code in {200, 412}
            return ("decided" if reached else "told") if told_of or reached else "undecided"
        if self.rule.kind in {"instance", "write"} and answer.status_code == 404:
            return "hidden"
        return "answered"


def cells(stored: dict[str, Tree]) -> Iterator[Cells]:
    """What every row of the route table is asked."""
    for row in [*FHIR_ROUTES, *API_ROUTES]:
        rule = RULES[row.method, row.path]
        types = WALKED if "{type}" in row.path else (rule.type if rule.type in NAMES else "Observation",)
        for type_ in types:
            own = Cells(row.method, row.path, type_, "own", stored)
            other = Cells(row.method, row.path, type_, "other", stored)
            yield own
            if other.request() != own.request():  # else nothing in it is anybody's
                yield other


def test_every_address_has_a_rule() -> None:
    rows = {(row.method, row.path) for row in [*FHIR_ROUTES, *API_ROUTES]}
    assert rows - RULES.keys() == set()


def test_every_role_is_walked_as_it_is_given_out() -> None:
    roles = msgspec.json.decode(shipped("mappings", "security", "roles.json").read_bytes())
    assert {role: TOKENS[role].scope for role in roles} == {
        name: one["scopes"] for name, one in roles.items()
    }


async def test_every_cell_is_as_the_policy_says(ward: Ward, tell: Callable[[str], None]) -> None:
    everybody = ward.client("system/*.cruds restricted")
    stored = {}
    for type_, names in NAMES.items():
        for name in set(names.values()):
            stored[f"{type_}/{name}"] = (await everybody.get(f"/fhir/{type_}/{name}")).json()
    clients = {name: asking(ward, token) for name, token in TOKENS.items()}
    done: Counter[str] = Counter()
    wrong: list[str] = []
    for one in cells(stored):
        for name, token in TOKENS.items():
            if one.template == "/fhir/{type}/{id}/$meta-delete" and one.type in SHARED | BEYOND:
                continue  # nothing would be taken away, so that nothing is written
            answer = await one.ask(clients[name])
            expected, found = one.expect(token), one.outcome(answer, token)
            done[expected] += 1
            if expected != found:
                place = f"{one.method} {one.template} {one.type} {one.whose}"
                wrong.append(f"{place} by {name}: {found} ({answer.status_code}), not {expected}")
    assert not wrong, "\n".join([str(len(wrong)), *wrong[:60]])
    assert done.total() > FEWEST_CELLS
    tell(f"{done.total()} cells of route, caller and whose are as the policy says: {dict(done)}")
    assert min(done[kind] for kind in ("unknown", "forbidden", "hidden", "not found", "found")) > 20


async def test_every_page_is_open_or_closed_as_the_policy_says(app: Any, ward: Ward) -> None:
    routes = [one for one in app.router.routes if getattr(one, "path", "").startswith(("/app", "/guide"))]
    rows = {f"{method} {one.path}" for one in routes for method in one.methods - {"HEAD"}}
    assert rows == {row for kind in PAGES.values() for row in kind}
    named = ("no token", "clinician", "emergency-clinician", "researcher", "operator")
    callers = {name: asking(ward, TOKENS[name]) for name in named}
    for kind, row in ((kind, row) for kind, rows in PAGES.items() for row in rows):
        method, path = row.split()
        address = path.replace("{id}", "ann").replace("{type}", "Goal")
        told = {
            name: (await client.request(method, address, headers={"Origin": "http://test"})).status_code
            for name, client in callers.items()
        }
        assert (told["no token"] == 401) is (kind != "open"), row
        assert (told["researcher"] == 403) is (kind not in {"open", "research"} or "launch" in row), row
        posted = method == "POST" and kind != "open" and path != "/app"  # without the token of a form
        assert (told["clinician"] == 403) is (
            kind in {"break-glass", "research", "operate"} or posted or "launch" in row
        ), row
        assert (told["emergency-clinician"] == 403) is (
            kind in {"research", "operate"} or posted or "launch" in row
        ), row
        assert (told["operator"] == 403) is (kind not in {"open", "operate"} or posted or "launch" in row), (
            row
        )


async def test_an_address_without_a_policy_is_closed(app: Any, ward: Ward) -> None:
    async def told(_call: Any) -> Answer:
        return Answer("all of it")

    forgotten = Row("GET", "/fhir/$forgotten", told)
    app.front = Front([*FHIR_ROUTES, forgotten], app.others, longest=16_000)
    for token in TOKENS.values():
        answer = await asking(ward, token).get("/fhir/$forgotten")
        assert answer.status_code in {401, 403}
    whole = "system/*.cruds intake goal-decisions research-export audit-read operate break-glass restricted"
    assert (await ward.client(whole).get("/fhir/$forgotten")).status_code == 403
