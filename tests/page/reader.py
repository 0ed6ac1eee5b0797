"""A reader at a real browser: Debian's Chromium, driven by playwright, before the running demo."""

import json
import shutil
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
from hospital import Hospital, hospital
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright
from processes import Server, serving

from service.jobs.synthetic_tables import registry, synthetic_tables

AXE = Path(__file__).parents[2] / ".cache" / "axe" / "package" / "axe.min.js"
VISITS = Path(__file__).parents[2] / "examples" / "visits"
PICTURES = Path(__file__).parents[2] / ".cache" / "pictures"
"""Where the pages of the last run can be looked at."""
PATIENTS = "https://clinic.example.org/patients"
WIDE, PHONE, ZOOMED, HIGH = 1280, 320, 640, 900
"""A screen; the narrowest that content has to fit (WCAG 2.2, 1.4.10); a screen at 200 %; and how high."""
LAST_VISITS = {
    "demo-01": "2026-03-26",
    "demo-02": "2026-07-28",
    "demo-03": "2026-06-29",
    "demo-04": "2026-09-30",
    "demo-05": "2026-09-15",
}


class Reader:
    """A running demo with its clinician's token, a browser to look at it with, and the hospital around."""

    def __init__(self, server: Server, browser: Browser, tokens: dict[str, str], there: Hospital) -> None:
        self.url, self._browser, self.there = server.url, browser, there
        self.tokens, self.token = tokens, tokens["emergency-clinician"]
        self.http = httpx.Client(headers={"Authorization": f"Bearer {self.token}"}, timeout=60)

    @contextmanager
    def window(self, *, script: bool = False, signed_in: bool = True) -> Iterator[BrowserContext]:
        """A fresh window without pages, with script off unless asked for."""
        context = self._browser.new_context(
            viewport={"width": WIDE, "height": HIGH}, color_scheme="light", java_script_enabled=script
        )
        if signed_in:
            context.add_cookies([{"name": "session", "value": self.token, "url": f"{self.url}/app"}])
        try:
            yield context
        finally:
            context.close()

    @contextmanager
    def page(self, *, script: bool = False, signed_in: bool = True) -> Iterator[Page]:
        """An empty page in a window of its own."""
        with self.window(script=script, signed_in=signed_in) as window:
            yield window.new_page()

    def person(self, name: str, day: str = "") -> str:
        """The address of a demo person's page as of a day (empty: of the last visit)."""
        return f"{self.url}/app/patients/{self.id(name)}?date={day or LAST_VISITS[name]}"

    def sheet(self, name: str) -> str:
        """The address of a demo person's summary on paper as of the last visit."""
        return f"{self.url}/app/patients/{self.id(name)}/summary.pdf?date={LAST_VISITS[name]}"

    def pages(self) -> dict[str, str]:
        """The address of every kind of page, by name."""
        demo_01 = f"{self.url}/app/patients/{self.id('demo-01')}"
        lost_view = self.visit("demo-05", "2026-07-03")
        return {
            "list": f"{self.url}/app",
            "sign in": f"{self.url}/app/sign-in",
            "person": self.person("demo-05", "2026-09-11"),
            "person with red flags": self.person("demo-04", "2026-09-28"),
            "visit": lost_view,
            "visit stopped early": self.visit("demo-04", "2026-09-28"),
            "visit with an adverse event": self.visit("demo-01", "2026-02-17"),
            "visit with a study": self.visit("demo-04", "2026-09-30"),
            "status form": f"{demo_01}/goals/{self.goal('demo-01')}",
            "summary form": f"{demo_01}/summary",
            "exclusion form": f"{lost_view}/exclusion",
            "signature form": f"{self.draft()}/signature",
            "emergency form": f"{demo_01}/emergency",
            "cohort": f"{self.url}/app/cohort",
            "cohort by group": f"{self.url}/app/cohort?by=state",
            "operations": self.operations(),
            "resource": f"{self.url}/app/resources/Goal/{self.goal('demo-01')}",
            "person before any goal": self.person("demo-01", "2026-01-01"),
            "problem": f"{self.url}/app/patients/nobody",
            "guide": f"{self.url}/guide",
            "guide: a profile": f"{self.url}/guide/bolus",
            "guide: codes": f"{self.url}/guide/codes",
            "guide: a value set": f"{self.url}/guide/value-sets/iddsi-level",
        }

    def id(self, name: str) -> str:
        """The id of a demo person."""
        return self._found(f"Patient?identifier={PATIENTS}|{name}")[0]["id"]

    def visit(self, name: str, day: str) -> str:
        """The address of a visit's page."""
        found = self._found(f"Encounter?patient={self.id(name)}&date={day}")
        return f"{self.url}/app/patients/{self.id(name)}/visits/{found[0]['id']}"

    def draft(self) -> str:
        """The address of a visit that nobody has signed yet, filed now."""
        text = (VISITS / "demo-05-visit-7.yaml").read_text("utf-8")
        for old, new in (("demo-05-visit-7", "demo-05-draft"), ("2026-09-11T", "2026-09-14T")):
            assert old in text
            text = text.replace(old, new)
        headers = {"Content-Type": "application/yaml"}
        text += "\nsignature: {state: draft}\n"
        self.http.post(f"{self.url}/intake/visits", content=text, headers=headers).raise_for_status()
        return self.visit("demo-05", "2026-09-14")

    def operations(self) -> str:
        """The address of the operator's page, with a subscription on it that leads nowhere."""
        guide = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition"
        content = [{"url": f"{guide}/backport-payload-content", "valueCode": "empty"}]
        tree = {
            "resourceType": "Subscription",
            "id": "nowhere",
            "status": "requested",
            "reason": "HTEST",
            "criteria": "https://swallow-interop.example.org/fhir/SubscriptionTopic/visit-recorded",
            "channel": {
                "type": "rest-hook",
                "endpoint": "https://localhost/notifications",
                "payload": "application/fhir+json",
                "_payload": {"extension": content},
            },
        }
        headers = {"Authorization": f"Bearer {self.tokens['integrator']}"}
        put = self.http.put(f"{self.url}/fhir/Subscription/nowhere", json=tree, headers=headers)
        put.raise_for_status()
        return f"{self.url}/app/operations"

    def goal(self, name: str) -> str:
        """The id of a demo person's first goal."""
        return self._found(f"Goal?patient={self.id(name)}&_sort=start-date")[0]["id"]

    def _found(self, query: str) -> list[dict]:
        answer = self.http.get(f"{self.url}/fhir/{query}").raise_for_status().json()
        return [entry["resource"] for entry in answer["entry"]]


@contextmanager
def reading(folder: Path) -> Iterator[Reader]:
    """Start the demo and a browser; both end with the block."""
    program = shutil.which("chromium")
    assert program, "chromium is missing: make chromium"
    with hospital("localhost") as there, sync_playwright() as driver, _demo(folder, there) as server:
        tokens = json.loads((folder / "demo-tokens.json").read_text())
        browser = driver.chromium.launch(executable_path=program, args=["--no-sandbox"])
        reader = Reader(server, browser, tokens, there)
        yield reader
        reader.http.close()
        browser.close()


@contextmanager
def _demo(folder: Path, there: Hospital) -> Iterator[Server]:
    """The demo with the hospital as a place to sign in, which is another site than ours."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    folder.mkdir(exist_ok=True)
    listed = folder / "providers.json"
    listed.write_text(json.dumps([there.login(folder), there.record(folder)]))
    tables = folder / "tables"
    synthetic_tables(registry(11, 3), 160, tables, "csv")
    settings = {
        "SWALLOW_COHORT_TABLES": str(tables),
        "SWALLOW_SMALLEST_CELL": "3",  # so that few people show every part of the page
        "SWALLOW_PROVIDERS": str(listed),
        "SWALLOW_BASE_URL": f"http://127.0.0.1:{port}",
        "SWALLOW_OUTGOING_HOSTS": "localhost",
    }
    with serving("demo", "--port", str(port), "--data-dir", folder, settings=settings) as server:
        yield server


def picture(page: str, mode: str, kind: str = "png") -> Path:
    """The file for a picture of a page, as it looks by day, at night, on a phone or on paper."""
    PICTURES.mkdir(parents=True, exist_ok=True)
    return PICTURES / f"{page.replace(' ', '-')}-{mode}.{kind}"


def violations(page: Page, *, kind: str = "") -> list[str]:
    """What axe-core finds wrong, as sentences: rule, and the element it is about.

    ``kind`` is a tag of its rules (``cat.color``); empty for all of them.
    """
    if not page.evaluate("() => 'axe' in window"):
        page.evaluate(AXE.read_text("utf-8"))
    rules = {"runOnly": [kind]} if kind else {}
    found = page.evaluate("asked => axe.run(document, asked)", {"resultTypes": ["violations"], **rules})
    return [
        f"{one['id']}: {node['html'][:150]} {node['failureSummary']}"
        for one in found["violations"]
        for node in one["nodes"]
    ]
