"""Ways to destinations: a folder, tokens that are fetched, a pace, a certificate; and who is chosen."""

import asyncio
import json
from dataclasses import dataclass, field

import msgspec
import pytest
from joserfc import jwt
from joserfc.jwk import ECKey
from peer import REMOTE, Site, answer, bundles, delete, metadata, observation, patient, put

from service.errors import DeliveryFailed, ServiceError
from service.jobs.delivery import Delivery
from service.jobs.delivery_folder import FolderSender
from service.jobs.delivery_login import BackendTokens, FileTokens
from service.jobs.destination import Destination, Filter, Limits, Login
from service.jobs.destination_state import resume, states
from service.jobs.destinations import Destinations
from service.jobs.http_client import Certificate, connect
from service.jobs.outgoing import Outgoing
from service.jobs.senders import sender_for
from service.security.token_service import ASSERTION_TYPE

pytestmark = pytest.mark.anyio
TOKENS = "https://as.example.org/token"


@dataclass
class Folder:
    """A site that delivers into a folder."""

    store: object
    path: object
    clock: object
    known: object = field(init=False)

    async def deliver(self):
        one = Destination("out", "folder", str(self.path), limits=Limits(entries=2))
        self.known = Destinations(self.store)
        await self.known.add(one)
        made = Delivery(self.store, self.known, FolderSender, self.clock, "a test")
        return await made.drain(one, 0)

    def files(self):
        return [json.loads(path.read_bytes()) for path in sorted(self.path.iterdir())]


async def test_a_folder_gets_whole_files_in_order(store, clock, tmp_path):
    path = tmp_path / "out"
    path.mkdir()
    folder = Folder(store, path, clock)
    await put(store, observation("o1", "a"), patient("a"), observation("o2", "a", identifier=False))
    assert (await folder.deliver()).resources == 3
    first, second = folder.files()
    assert [one["request"] for one in (*first["entry"], *second["entry"])] == [
        {"method": "PUT", "url": "Patient?identifier=https%3A%2F%2Fclinic.example.org%2Fpatients%7Ca"},
        {"method": "PUT", "url": "Observation?identifier=https%3A%2F%2Fclinic.example.org%2Fvisits%7Co1"},
        {"method": "PUT", "url": "Observation/o2"},
    ]
    subject = second["entry"][0]["resource"]["subject"]["reference"]
    assert subject == first["entry"][0]["request"]["url"]

    await delete(store, "Observation", "o1")
    await put(store, observation("o2", "a", identifier=False, kilograms="71.90"))
    assert (await folder.deliver()).resources == 2
    assert (await folder.deliver()).resources == 0
    (last,) = folder.files()[2:]
    assert [one["request"]["method"] for one in last["entry"]] == ["PUT", "DELETE"]
    assert last["entry"][1]["request"]["url"] == first["entry"][1]["request"]["url"]


async def test_a_folder_that_is_not_there_is_told(store, clock, tmp_path):
    await put(store, patient("a"))
    folder = Folder(store, tmp_path / "nowhere", clock)
    assert (await folder.deliver()).failed == 1
    with pytest.raises(DeliveryFailed, match="is not there, or can't be written"):
        await FolderSender(Destination("out", "folder", str(tmp_path / "nowhere"))).test()
    assert "can be written" in await FolderSender(Destination("out", "folder", str(tmp_path))).test()


@pytest.fixture
def login(tmp_path):
    key = ECKey.generate_key("P-384", auto_kid=True)
    path = tmp_path / "key.json"
    path.write_bytes(msgspec.json.encode(key.as_dict(private=True)))
    return key, Login(token_url=TOKENS, client_id="swallow", key_file=str(path), scope="system/*.cu")


def granted(httpx_mock, text):
    told = {"access_token": text, "token_type": "Bearer", "expires_in": 300, "scope": "system/*.cu"}
    httpx_mock.add_response(method="POST", url=TOKENS, json=told)


@pytest.mark.conformance("J10")
@pytest.mark.conformance("J10")
@pytest.mark.published("SMART App Launch 2.2 backend-services.html, client-confidential-asymmetric.html")
async def test_a_token_is_fetched_kept_and_fetched_anew_where_it_is_refused(httpx_mock, login):
    key, how = login
    now = [1_000.0]
    tokens = BackendTokens(how, connect("", "", Outgoing()), lambda: now[0])
    granted(httpx_mock, "first")
    granted(httpx_mock, "second")
    granted(httpx_mock, "third")
    httpx_mock.add_response(url=f"{REMOTE}/Patient/1", is_reusable=True)
    async with connect(REMOTE, tokens, Outgoing()) as client:
        assert (await client.get("/Patient/1")).status_code == 200
        await client.get("/Patient/1")
        httpx_mock.add_response(url=f"{REMOTE}/Patient/2", status_code=401)
        httpx_mock.add_response(url=f"{REMOTE}/Patient/2", status_code=401)
        assert (await client.get("/Patient/2")).status_code == 401
        now[0] += 280
        await client.get("/Patient/1")
    used = [one.headers["Authorization"] for one in httpx_mock.get_requests(method="GET")]
    # the request that was refused is the same one that was sent again, with the second token
    assert used == [f"Bearer {one}" for one in ("first", "first", "second", "second", "third")]
    asked = httpx_mock.get_requests(method="POST")[0].content.decode()
    form = dict(one.split("=") for one in asked.split("&"))
    assert (form["grant_type"], form["scope"]) == ("client_credentials", "system%2F%2A.cu")
    assert form["client_assertion_type"] == ASSERTION_TYPE.replace(":", "%3A")
    claims = jwt.decode(form["client_assertion"], key, algorithms=["ES384"]).claims
    assert (claims["iss"], claims["sub"], claims["aud"]) == ("swallow", "swallow", TOKENS)
    assert 0 < claims["exp"] - 1_000 <= 300


@pytest.mark.parametrize("told", [{"status_code": 400, "json": {}}, {"status_code": 200, "content": b"{}"}])
async def test_a_token_that_is_not_given_is_told_and_nothing_is_sent(httpx_mock, login, told):
    tokens = BackendTokens(login[1], connect("", "", Outgoing()))
    httpx_mock.add_response(method="POST", url=TOKENS, **told)
    async with connect(REMOTE, tokens, Outgoing()) as client:
        with pytest.raises(DeliveryFailed, match="gave no token"):
            await client.get("/Patient/1")


async def test_requests_are_sent_at_a_pace(httpx_mock):
    httpx_mock.add_response(url=f"{REMOTE}/Patient/1", is_reusable=True)
    async with connect(REMOTE, "", Outgoing(), per_second=50) as client:
        begun = asyncio.get_running_loop().time()
        await asyncio.gather(*(client.get("/Patient/1") for _ in range(6)))
    assert asyncio.get_running_loop().time() - begun >= 5 / 50


async def test_files_of_a_login_that_can_not_be_read_are_named(tmp_path, store):
    path = str(tmp_path / "nothing.pem")
    with pytest.raises(ServiceError, match=r"nothing\.pem is no certificate"):
        connect(REMOTE, "", Outgoing(), certificate=Certificate(path))
    for how in (
        Login(token_file=path),
        Login(token_url=TOKENS, client_id="x", key_file=path),
        Login(certificate_file=path),
    ):
        with pytest.raises(ServiceError, match=r"nothing\.pem"):
            sender_for(Destination("record", "fhir", REMOTE, login=how), store, Outgoing())


async def test_the_members_of_a_group_go_and_whoever_comes_into_it(store, clock, httpx_mock):
    metadata(httpx_mock)
    site = await Site(store, clock, filter=Filter(types=("Patient",), group="g")).begin()
    await put(store, patient("a"), patient("b"), group("a"))
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("201 Patient/7"))
    assert (await site.deliver()).resources == 1
    await put(store, group("a", "b"))
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("201 Patient/8"))
    assert (await site.deliver()).resources == 1
    values = [one["entry"][0]["resource"]["identifier"][0]["value"] for one in bundles(httpx_mock)]
    assert values == ["a", "b"]


def group(*people):
    members = [{"entity": {"reference": f"Patient/{one}"}} for one in people]
    return {"resourceType": "Group", "id": "g", "type": "person", "actual": True, "member": members}


async def test_people_with_an_identifier_of_a_system_go(store, clock, httpx_mock):
    metadata(httpx_mock)
    chosen = Filter(identifier_system="https://hospital.example.org/mrn")
    site = await Site(store, clock, filter=chosen).begin()
    known = patient("b")
    known["identifier"].append({"system": chosen.identifier_system, "value": "17"})
    await put(store, patient("a"), known, observation("o1", "a"))
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("201 Patient/7"))
    assert (await site.deliver()).resources == 1


async def test_one_whose_way_can_not_be_opened_is_left_alone_until_it_is_resumed(
    store, clock, tmp_path, monkeypatch
):
    monkeypatch.setattr("service.jobs.delivery._LOOK_S", 0.01)
    known, one, tries = Destinations(store), Destination("out", "folder", str(tmp_path)), []

    def unopened(destination):
        tries.append(destination.name)
        raise ServiceError("/run/secrets/record can't be read (FileNotFoundError).")

    await known.add(one)
    running = asyncio.create_task(Delivery(store, known, unopened, clock, "a test").run())
    await asyncio.sleep(0.3)
    assert len(tries) == 1
    (state,) = await states(store, known, clock())
    assert (state.state, state.problem) == (
        "resting",
        "/run/secrets/record can't be read (FileNotFoundError).",
    )
    await resume(store, known, "out")
    await asyncio.sleep(0.2)
    assert len(tries) == 2
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)


async def test_a_token_file_with_more_rights_is_read_after_a_403(httpx_mock, tmp_path):
    file = tmp_path / "token"
    file.write_text("reads only")
    httpx_mock.add_response(status_code=403)
    httpx_mock.add_response()
    async with connect(REMOTE, FileTokens(str(file)), Outgoing()) as client:
        assert (await client.get("/Patient")).status_code == 403
        file.write_text("writes")
        assert (await client.get("/Patient")).status_code == 200
    sent = [one.headers["authorization"] for one in httpx_mock.get_requests()]
    assert sent == ["Bearer reads only", "Bearer writes"]
