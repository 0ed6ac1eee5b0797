"""The guide's pages: open to everybody, made from the definitions."""

import json
import tarfile
from html.parser import HTMLParser
from urllib.parse import urljoin

import pytest
from httpx import ASGITransport, AsyncClient

from service.app import create_app
from service.errors import ServiceError
from service.fhir.guide_package import guide_package
from service.fhir.guides import read_guide
from service.fhir.json import parse
from service.fhir.topics import topics
from service.fhir.validation.profiles import Definitions
from service.fhir.validation.profiles.base_types import own_profiles
from service.fhir.validation.requested import check_requested
from service.page.guide import MARKS, code_rows, element_rows, error_rows
from service.settings import Settings
from service.shipped import shipped
from service.terminology.codes import codes
from tools.guide_examples import guide_examples

pytestmark = pytest.mark.anyio


@pytest.fixture
def anyio_backend():
    return "asyncio"


@pytest.fixture
async def visitor(tmp_path):
    """Somebody without a token."""
    app = create_app(Settings(data_dir=tmp_path))
    async with (
        app.router.lifespan_context(app),
        AsyncClient(transport=ASGITransport(app), base_url="http://test") as client,
    ):
        yield client


class Links(HTMLParser):
    """The links of a page."""

    def __init__(self, text) -> None:
        super().__init__()
        self.found = []
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        if tag == "a":
            self.found.append(dict(attributes)["href"])


@pytest.mark.conformance("H7")
async def test_the_guide_tells_what_can_be_subscribed_to(visitor):
    text = (await visitor.get("/guide")).text
    for topic in topics():
        assert topic.url in text
        assert topic.title in text


async def test_every_link_of_the_guide_leads_somewhere(visitor):
    waiting, seen = ["/guide"], set()
    while waiting:
        path = waiting.pop()
        seen.add(path)
        answer = await visitor.get(path)
        assert answer.status_code == 200, path
        if answer.headers["content-type"].startswith("text/html"):
            links = (urljoin(path, link) for link in Links(answer.text).found)
            waiting += (
                {link for link in links if link.startswith("/guide") and "#" not in link} - seen - {*waiting}
            )
    assert {f"/guide/{one['id']}" for one in own_profiles().values()} <= seen
    assert {f"/guide/{one['id']}.json" for one in own_profiles().values()} <= seen


async def test_a_profile_shows_its_elements(visitor):
    page = (await visitor.get("/guide/bolus")).text
    assert "<h1>Swallow of one bolus</h1>" in page
    for text in (
        "component:airway-invasion-8pt",
        "1..1",
        "from 1",
        "up to 8",
        'required: <a href="/guide/value-sets/iddsi-level">iddsi-level</a>',
        "1..*",
        "HTEST",
    ):
        assert text in page
    source = (await visitor.get("/guide/bolus.json")).json()
    assert len(element_rows(source)) == len(source["differential"]["element"]) - 1


async def test_what_the_guide_does_not_define_is_not_found(visitor):
    for path in ("nothing", "nothing.json", "value-sets/nothing", "examples/nothing.json"):
        assert (await visitor.get(f"/guide/{path}")).status_code == 404, path
    assert "have no example of this" in (await visitor.get("/guide/visit-exclusion")).text
    assert (await visitor.get("/guide/examples/visit-exclusion.json")).status_code == 404


async def test_codes_are_shown_with_how_sure_we_are(visitor):
    rows = code_rows()
    assert sum(map(len, rows.values())) == len(codes("all").rows())
    assert {row.mark for listed in rows.values() for row in listed} == MARKS.keys()
    page = (await visitor.get("/guide/codes")).text
    assert all(meaning in page for meaning in MARKS.values())


def test_every_error_stands_in_the_catalogue():
    def kinds(root):
        return 1 + sum(map(kinds, root.__subclasses__()))

    assert len(error_rows()) == kinds(ServiceError)
    assert all(row.meaning for row in error_rows())


def test_the_package_is_read_as_a_guide_and_is_always_the_same(tmp_path):
    path = tmp_path / "guide.tgz"
    path.write_bytes(guide_package())
    guide = read_guide(path)
    assert guide.name == "swallow-interop.guide"
    urls = {one["url"] for one in guide.definitions}
    assert own_profiles().keys() <= urls
    assert any(one["resourceType"] == "ValueSet" for one in guide.definitions)
    with tarfile.open(path) as archive:
        names = archive.getnames()
    assert "package/example/trial.json" in names
    assert sum(name.startswith("package/OperationDefinition-") for name in names) >= 16
    guide_package.cache_clear()
    assert path.read_bytes() == guide_package()
    assert json.dumps(guide.definitions)


def test_examples_are_what_the_invented_visits_become_and_conform(tell):
    made = guide_examples()
    folder = shipped("examples", "fhir")
    assert {path.stem: path.read_text("utf-8") for path in folder.glob("*.json")} == made
    definitions = Definitions()
    for id_, text in made.items():
        tree = parse(text.encode())
        noticed = check_requested(tree, (), definitions)
        assert [one for one in noticed if one.severity == "error"] == [], id_
        assert any(one["code"] == "HTEST" for one in tree["meta"]["security"]), id_
    profiles = [one["id"] for one in own_profiles().values() if one["type"] != "Extension"]
    unseen = {"deidentified-allergyintolerance"}  # no demo person's allergy is on file
    assert set(profiles) - unseen <= made.keys()
    tell(f"guide: examples of {len(profiles)} profiles and {len(made) - len(profiles)} extensions")
