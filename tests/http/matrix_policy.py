"""Who may do what at which address, written down apart from the service: what the matrix is held against.

A token is told by its level, the actions it grants by type, a query part and plain words. A rule is what an
address asks for (any of several alternatives: actions on types, plain words) and how it answers what the
caller does not reach.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

Whose = Literal["own", "other"]
Kind = Literal[
    "open", "scoped", "instance", "write", "create", "list", "whole", "delete", "decision", "batch", "export"
]


@dataclass(frozen=True)
class Token:
    """A kind of caller. ``types`` maps types (or ``*``) to letters of c r u d s."""

    scope: str
    level: Literal["", "system", "user", "patient"] = ""
    types: dict[str, str] = field(default_factory=dict)
    filtered: bool = False
    words: tuple[str, ...] = ()
    person: bool = True
    """Whether the token tells who the person is (user), or which patient it is about (patient)."""

    def may(self, action: str, type_: str) -> bool:
        if self.level == "patient" and not self.person:
            return False
        kept = [letters for name, letters in self.types.items() if type_ in {name, "*"} or name == "*"]
        return any(action in letters for letters in kept)

    def has(self, need: str) -> bool:
        """``Observation.ru`` or ``*.s`` or a plain word."""
        type_, dot, letters = need.partition(".")
        if not dot:
            return need in self.words
        if type_ == "*":
            return any(self.may(letter, "*") for letter in letters)
        return all(self.may(letter, type_) for letter in letters)

    @property
    def exports(self) -> bool:
        """Whether it is a system's that reads what people wrote, or that of a study."""
        system = self.level == "system" and any(self.may("r", type_) for type_ in ("Observation", "Group"))
        return system or "research-export" in self.words

    def meets(self, alternatives: tuple[str, ...]) -> bool:
        return any(all(map(self.has, one.split())) for one in alternatives)

    def reaches(self, type_: str, whose: Whose, *, fits: bool) -> bool:
        """Whether it reads such a resource. ``fits``: the query part of the token, if any, finds it."""
        if self.filtered and not fits:
            return False
        if self.level in {"", "system"} or type_ in SHARED:
            return True
        return type_ not in BEYOND and whose == "own" and self.person

    def writes(self, type_: str, whose: Whose, *, fits: bool) -> bool:
        """Whether it writes such a resource; who is confined never writes what is nobody's."""
        confined = self.level in {"user", "patient"}
        return self.reaches(type_, whose, fits=fits) and not (confined and type_ in SHARED)


CRUDS = {"*": "cruds"}
VITAL = "http://terminology.hl7.org/CodeSystem/observation-category|vital-signs"
TOKENS = {
    "no token": Token(""),
    "system v2": Token("system/*.cruds", "system", CRUDS),
    "system v1": Token("system/*.*", "system", CRUDS),
    "system v1 reading": Token("system/*.read", "system", {"*": "rs"}),
    "system searching": Token("system/*.s", "system", {"*": "s"}),
    "system one type": Token("system/Observation.cruds", "system", {"Observation": "cruds"}),
    "system granular": Token(
        f"system/Observation.rs?category={VITAL}", "system", {"Observation": "rs"}, filtered=True
    ),
    "user v2": Token("user/*.cruds", "user", CRUDS),
    "user v1 reading": Token("user/*.read", "user", {"*": "rs"}),
    "user v1 writing": Token("user/*.write", "user", {"*": "cud"}),
    "user one type": Token("user/Observation.rs", "user", {"Observation": "rs"}),
    "user wrong type": Token("user/Flag.cruds", "user", {"Flag": "cruds"}),
    "user granular": Token(
        f"user/Observation.cruds?category={VITAL}", "user", {"Observation": "cruds"}, filtered=True
    ),
    "user nobody": Token("user/*.cruds", "user", CRUDS, person=False),
    "clinician": Token(
        "user/*.rs intake goal-decisions", "user", {"*": "rs"}, words=("intake", "goal-decisions")
    ),
    "emergency-clinician": Token(
        "user/*.rs intake goal-decisions break-glass",
        "user",
        {"*": "rs"},
        words=("intake", "goal-decisions", "break-glass"),
    ),
    "patient v2": Token("patient/*.cruds", "patient", CRUDS),
    "patient v1": Token("patient/*.read", "patient", {"*": "rs"}),
    "patient one type": Token("patient/Observation.r", "patient", {"Observation": "r"}),
    "patient nobody": Token("patient/*.cruds", "patient", CRUDS, person=False),
    "integrator": Token("system/*.cruds intake", "system", CRUDS, words=("intake",)),
    "intake alone": Token("intake", words=("intake",)),
    "researcher": Token("research-export", words=("research-export",)),
    "auditor": Token("audit-read", "system", {"AuditEvent": "rs"}, words=("audit-read",)),
    "operator": Token("operate", words=("operate",)),
    "nonsense": Token("user/Observation.rs?date=2026 user/*.sr launch"),
}
SHARED = {"Practitioner", "ValueSet"}
BEYOND = {"Group"}
READS = "Patient.r Observation.r Goal.r Encounter.r CarePlan.r QuestionnaireResponse.r"


@dataclass(frozen=True)
class Rule:
    """What an address asks for, and how it treats what is beyond reach."""

    kind: Kind
    needs: tuple[str, ...] = ()
    type: str = ""
    """The type it is about, where the address does not tell."""


_Rules = dict[tuple[str, str], Rule]


def _of(rules: _Rules) -> Callable[..., None]:
    def of(rule: Rule, *names: str) -> None:
        for name in names:
            method, path = name.split(" ")
            rules[method, path] = rule

    return of


def _restful() -> _Rules:
    rules: _Rules = {}
    of = _of(rules)
    of(Rule("open"), "GET /health/live", "GET /health/ready", "GET /fhir/metadata")
    of(Rule("open"), "GET /fhir/$versions", "POST /fhir/$versions")
    of(Rule("open"), "GET /fhir/.well-known/smart-configuration", "GET /.well-known/smart-configuration")
    of(Rule("open"), "GET /.well-known/security.txt")
    cards = "/cds-services/swallowing-goals"  # open to a token of its own alone, and off here
    of(Rule("open"), "GET /cds-services", f"POST {cards}", f"POST {cards}/feedback")
    of(Rule("open"), "GET /oauth/jwks", "GET /oauth/authorize", "POST /oauth/token")
    one = "/fhir/{type}/{id}"
    of(
        Rule("instance", ("{type}.r",)),
        f"GET {one}",
        f"GET {one}/_history",
        f"GET {one}/_history/{{version}}",
    )
    of(Rule("instance", ("{type}.r",)), f"GET {one}/$meta", f"POST {one}/$meta")
    of(Rule("scoped", ("{type}.r",)), f"GET {one}/$validate")  # an outcome tells that there is none
    of(Rule("write", ("{type}.u",)), f"PUT {one}", f"PATCH {one}")
    of(Rule("write", ("{type}.ru",)), f"POST {one}/$meta-add")
    of(Rule("delete", ("{type}.ru",)), f"POST {one}/$meta-delete")
    of(Rule("delete", ("{type}.d",)), f"DELETE {one}")
    checks = ("{type}.r", "{type}.s", "{type}.c", "{type}.u")
    of(Rule("scoped", checks), f"POST {one}/$validate", "POST /fhir/{type}/$validate")
    of(Rule("list", ("{type}.s",)), "GET /fhir/{type}", "POST /fhir/{type}/_search")
    of(Rule("scoped", ("{type}.r",)), "GET /fhir/{type}/_history")
    of(Rule("create", ("{type}.c",)), "POST /fhir/{type}")
    of(Rule("write", ("{type}.u {type}.s",)), "PUT /fhir/{type}", "PATCH /fhir/{type}")
    of(Rule("delete", ("{type}.d {type}.s",)), "DELETE /fhir/{type}")
    of(Rule("whole", ("{type}.r",)), "GET /fhir/{type}/$meta", "POST /fhir/{type}/$meta")
    of(Rule("whole", ("*.r",)), "GET /fhir/$meta", "POST /fhir/$meta")
    of(Rule("list", ("Observation.s",), "Observation"), "GET /fhir", "GET /fhir/", "POST /fhir/_search")
    of(Rule("scoped", ("*.r",)), "GET /fhir/_history")
    of(Rule("batch", ("*.cruds",), "Observation"), "POST /fhir", "POST /fhir/")
    inside = "/fhir/{compartment}/{id}/{member}"
    of(Rule("list", ("Observation.s",), "Observation"), f"GET {inside}", f"POST {inside}/_search")
    return rules


def _operations() -> _Rules:
    rules: _Rules = {}
    of = _of(rules)
    goals = "/fhir/Patient/{id}/$goal-attainment"
    of(Rule("instance", (READS,), "Patient"), f"GET {goals}", f"POST {goals}")
    recording = (f"goal-decisions {READS}", f"Observation.c Provenance.c {READS}")
    of(Rule("decision", recording, "Patient"), "POST /fhir/Patient/{id}/$record-goal-attainment")
    for path in ("/fhir/Measure/$evaluate-measure", "/fhir/Measure/{id}/$evaluate-measure"):
        of(Rule("scoped", (f"Patient.s {READS}",)), f"GET {path}", f"POST {path}")
    goal = ("goal-decisions Patient.r Goal.r Observation.r", "Patient.r Goal.ru Observation.cr Provenance.c")
    of(
        Rule("decision", goal, "Goal"),
        "POST /fhir/Goal/{id}/$accept-status",
        "POST /fhir/Goal/{id}/$override-status",
    )
    visit = ("goal-decisions Encounter.r", "Encounter.ru Provenance.c")
    of(Rule("decision", visit, "Encounter"), "POST /fhir/Encounter/{id}/$exclude-visit")
    signing = Rule("decision", ("goal-decisions Encounter.r",), "Encounter")
    of(signing, "POST /fhir/Encounter/{id}/$sign-visit")
    changes = "/fhir/Encounter/{id}/$signed-changes"
    of(Rule("instance", ("Encounter.r",), "Encounter"), f"GET {changes}", f"POST {changes}")
    trial = ("goal-decisions Observation.r", "Observation.ru Provenance.c")
    of(Rule("decision", trial, "Observation"), "POST /fhir/Observation/{id}/$mark-not-observable")
    undo = (
        "goal-decisions Provenance.r Goal.r Encounter.r Observation.r",
        "Provenance.cr Goal.ru Encounter.ru Observation.cru",
    )
    of(Rule("decision", undo, "Provenance"), "POST /fhir/Provenance/{id}/$undo")
    for type_ in ("Patient", "Encounter"):
        whole = f"/fhir/{type_}/{{id}}/$everything"
        of(Rule("instance", (f"{type_}.r",), type_), f"GET {whole}", f"POST {whole}")
    of(
        Rule("list", ("Observation.s",), "Observation"),
        "GET /fhir/Observation/$lastn",
        "POST /fhir/Observation/$lastn",
    )
    for type_, needs, names in (
        (
            "ValueSet",
            "ValueSet.r CodeSystem.r",
            ("$expand", "{id}/$expand", "$validate-code", "{id}/$validate-code"),
        ),
        ("CodeSystem", "CodeSystem.r", ("$lookup", "$subsumes", "{id}/$subsumes")),
        ("CodeSystem", "CodeSystem.r", ("$validate-code", "{id}/$validate-code")),
        ("ConceptMap", "ConceptMap.r", ("$translate", "{id}/$translate")),
    ):
        for name in names:
            of(Rule("scoped", (needs,)), f"GET /fhir/{type_}/{name}", f"POST /fhir/{type_}/{name}")
    told = Rule("scoped", ("Subscription.r",))  # there is none here
    for path in ("$status", "{id}/$status", "{id}/$events"):
        of(told, f"GET /fhir/Subscription/{path}", f"POST /fhir/Subscription/{path}")
    of(Rule("scoped", ("intake",)), "POST /intake/visits", "GET /intake/visit-record.schema.json")
    of(Rule("scoped", ("research-export",)), "GET /research/export", "GET /research/cohort")
    rows = Rule("scoped", ("*.r", "research-export"))  # what a view rests on is asked for with it
    of(rows, "GET /fhir/$viewdefinition-run", "POST /fhir/$viewdefinition-run")
    everything = Rule("export", ("*.r", "research-export"))
    for method in ("GET", "POST"):
        of(everything, f"{method} /fhir/$export", f"{method} /fhir/Patient/$export")
        of(Rule("export", ("Group.r",), "Group"), f"{method} /fhir/Group/{{id}}/$export")
    shown = ("GET /bulk/{id}", "DELETE /bulk/{id}", "GET /bulk/{id}/{file}")
    of(Rule("scoped", ("*.r", "research-export")), *shown)  # there is none here that anybody asked for
    of(Rule("scoped", ("operate",)), "GET /metrics")
    return rules


_PERSON = "/app/patients/{id}"
_ACTS = (
    *("goals/{goal}", "decisions/{provenance}", "summary"),
    *(f"visits/{{encounter}}/{act}" for act in ("exclusion", "signature", "trials/{trial}")),
)
PAGES: dict[str, tuple[str, ...]] = {
    "open": (
        *("GET /app/sign-in", "POST /app/sign-in", "POST /app/sign-out", "GET /app/style.css"),
        *("GET /app/launch", "GET /app/login/{provider}", "GET /app/login/{provider}/callback"),
        *("GET /app/{rest:path}", "GET /guide", "GET /guide/codes", "GET /guide/errors"),
        "GET /guide/hl7v2",
        *("GET /guide/value-sets/{id}", "GET /guide/package.tgz", "GET /guide/examples/{id}.json"),
        *("GET /guide/{id}.json", "GET /guide/{id}"),
    ),
    "read": (
        *("GET /app", "GET /app/", "POST /app", "GET /app/resources/{type}/{id}"),
        *(f"GET {_PERSON}{rest}" for rest in ("", "/summary.pdf", "/visits/{encounter}")),
        *(f"{method} {_PERSON}/{act}" for method in ("GET", "POST") for act in _ACTS),
    ),
    "break-glass": (f"GET {_PERSON}/emergency", f"POST {_PERSON}/emergency"),
    "operate": ("GET /app/operations", "POST /app/operations"),
    "research": ("GET /app/cohort", "GET /app/cohort.json", "GET /app/cohort.csv"),
}
"""The pages: open, for who may read what they show, break the glass besides, export, or operate."""
RULES = _restful() | _operations()
"""By method and path, as the route table writes them."""
