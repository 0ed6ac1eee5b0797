from http.cookies import SimpleCookie

import pytest
from page_reader import ORIGIN, Page

from service.page.cookies import SESSION, WANTED, names
from service.page.guard import HEADERS
from service.page.wanted import FIRST, own_page

pytestmark = pytest.mark.anyio
SAME = {"Origin": ORIGIN}


async def test_the_form_has_one_field_and_posts_to_this_site(browser):
    async with browser() as client:
        page = Page((await client.get("/app/sign-in")).text)
    assert [field["name"] for field in page.attributes("input")] == ["token"]
    assert page.attributes("form")[0] | {"class": None} == {
        "class": None,
        "method": "post",
        "action": "/app/sign-in",
    }


async def test_a_pasted_token_signs_in_and_signing_out_forgets_it(browser, token):
    async with browser() as client:
        answer = await client.post("/app/sign-in", data={"token": token()}, headers=SAME)
        assert (answer.status_code, answer.headers["location"]) == (303, "/app")
        assert (await client.get("/app")).status_code == 200
        gone = await client.post("/app/sign-out", headers=SAME)
        assert (gone.status_code, gone.headers["location"]) == (303, "/app/sign-in")
        assert (await client.get("/app")).status_code == 401


async def test_a_pasted_token_leads_to_the_page_that_was_asked_for(browser, token):
    async with browser() as client:
        assert (await client.get("/app/resources/Goal/g?x=1")).status_code == 401
        answer = await client.post("/app/sign-in", data={"token": token()}, headers=SAME)
        assert (answer.status_code, answer.headers["location"]) == (303, "/app/resources/Goal/g?x=1")
        again = await client.post("/app/sign-in", data={"token": token()}, headers=SAME)
        assert again.headers["location"] == "/app"


@pytest.mark.parametrize(
    "path",
    [
        "//elsewhere.example.org/app",
        "/app//elsewhere.example.org",
        "/app/..//elsewhere.example.org",
        "/app/%2e%2e/%2felsewhere.example.org",
        "/app/%5celsewhere.example.org",
        "/app/x%0d%0aSet-Cookie:%20a=b",
        "/app/x?to=%0d%0aSet-Cookie:%20a=b",
        "/app/https://elsewhere.example.org",
        "/app/" + "a" * 2_000,
    ],
)
async def test_a_bent_address_that_was_asked_for_leads_to_the_first_page(browser, token, path):
    async with browser() as client:
        asked = client.build_request("GET", "/")
        asked.url = asked.url.copy_with(raw_path=path.encode())
        await client.send(asked)
        answer = await client.post("/app/sign-in", data={"token": token()}, headers=SAME)
        assert (answer.status_code, answer.headers["location"]) == (303, "/app")
        assert "a=b" not in str(answer.headers)


@pytest.mark.parametrize(
    ("address", "kept"),
    [
        ("/app", True),
        ("/app/patients/a-1.b/summary.pdf?date=2026-09-11", True),
        ("/app/guide/", True),
        ("", False),
        ("/", False),
        ("/application", False),
        ("/fhir/Patient", False),
        ("//elsewhere.example.org/app", False),
        (r"/\elsewhere.example.org", False),
        (r"/app\elsewhere", False),
        ("https://elsewhere.example.org/app", False),
        ("javascript:alert(1)", False),
        ("/app/\r\nSet-Cookie: a=b", False),
        ("/app/../fhir", False),
        ("/app/%2E%2e", False),
        ("/app//elsewhere", False),
        ("/app#//elsewhere", False),
        ("/app@elsewhere.example.org", False),
    ],
)
def test_only_a_page_of_this_site_is_gone_on_to(address, kept):
    assert own_page(address) == (address if kept else FIRST)


async def test_what_a_browser_says_it_wanted_counts_only_if_it_was_sealed_here(browser, token):
    async with browser() as client:
        client.cookies.set(names(WANTED)[1], "/app/resources/Goal/g", domain="test", path="/app")
        answer = await client.post("/app/sign-in", data={"token": token()}, headers=SAME)
        assert answer.headers["location"] == "/app"


@pytest.mark.parametrize(
    ("address", "base_url", "secure"),
    [
        (ORIGIN, "", False),
        ("https://clinic.example.org", "", True),
        ("http://clinic.example.org", "https://clinic.example.org", True),
    ],
)
async def test_the_cookie_is_out_of_reach_of_script_and_other_sites(
    browser, token, address, base_url, secure
):
    async with browser(address, base_url) as client:
        answer = await client.post(
            "/app/sign-in", data={"token": token()}, headers={"Origin": base_url or address}
        )
    name, path = (names(SESSION)[0], "/") if secure else (SESSION, "/app")
    cookie = SimpleCookie(answer.headers["set-cookie"])[name]
    assert (cookie["httponly"], cookie["samesite"], cookie["path"]) == (True, "strict", path)
    assert not cookie["domain"]
    assert bool(cookie["secure"]) is secure


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Origin": "null"},
        {"Origin": "https://elsewhere.example.com"},
        {"Origin": "http://127.0.0.1:9999"},
        SAME | {"Sec-Fetch-Site": "cross-site"},
        SAME | {"Sec-Fetch-Site": "same-site"},
        {"Sec-Fetch-Site": "same-origin", "Origin": "https://elsewhere.example.com"},
    ],
)
@pytest.mark.parametrize("path", ["/app/sign-in", "/app/sign-out"])
async def test_a_form_from_another_site_is_refused(browser, token, headers, path):
    async with browser() as client:
        answer = await client.post(path, data={"token": token()}, headers=headers)
    assert answer.status_code == 403
    assert "set-cookie" not in answer.headers


async def test_a_token_that_is_not_believed_is_refused_and_not_repeated(browser, token):
    forged = token()[:-8] + "AAAAAAAA"
    async with browser() as client:
        answer = await client.post("/app/sign-in", data={"token": forged}, headers=SAME)
    assert answer.status_code == 401
    assert "set-cookie" not in answer.headers
    assert forged not in answer.text
    assert Page(answer.text).attributes("input")[0]["name"] == "token"


async def test_a_token_without_the_right_to_read_is_refused(browser, token):
    async with browser() as client:
        answer = await client.post("/app/sign-in", data={"token": token("audit-read")}, headers=SAME)
        by_header = await client.get("/app", headers={"Authorization": f"Bearer {token('audit-read')}"})
    assert answer.status_code == by_header.status_code == 403
    assert "set-cookie" not in answer.headers


async def test_an_expired_token_asks_to_sign_in_again(browser, token):
    async with browser() as client:
        client.cookies.set(SESSION, token(lasts=-600), path="/app")
        answer = await client.get("/app")
    assert answer.status_code == 401
    assert answer.headers["www-authenticate"] == "Bearer"
    assert "expired" in answer.text


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b"", 400),
        (b"token=", 400),
        (b"\xff\xfe=%ff", 400),
        (b"token=" + b"a" * 4_000, 400),
        (b"token=" + b"a" * 20_000, 413),
        (b"a=1&b=2&c=3&d=4&e=5", 400),
        (b"token=%F0%9F%99%82", 401),
    ],
)
async def test_a_malformed_form_is_answered_with_what_to_do(browser, body, status):
    headers = SAME | {"Content-Type": "application/x-www-form-urlencoded"}
    async with browser() as client:
        answer = await client.post("/app/sign-in", content=body, headers=headers)
    assert answer.status_code == status
    assert Page(answer.text).attributes("p")


@pytest.mark.parametrize("path", ["/app", "/app/patients/p1"])
async def test_nothing_is_shown_to_someone_not_signed_in(browser, path):
    async with browser() as client:
        answer = await client.get(path)
    assert answer.status_code == 401
    assert "Testwell" not in answer.text


async def test_a_token_in_a_url_is_no_sign_in(browser, token):
    async with browser() as client:
        answer = await client.get("/app", params={"token": token(), "access_token": token()})
    assert answer.status_code == 401


@pytest.mark.parametrize(
    "path", ["/app", "/app/patients/p1", "/app/patients/nobody", "/app/sign-in", "/app/x/y"]
)
async def test_every_page_carries_the_security_headers(get, path):
    answer = await get(path)
    assert {name: answer.headers.get(name) for name in HEADERS} == HEADERS
    assert answer.headers["content-security-policy"] == (
        "default-src 'none'; style-src 'self'; img-src 'self' data:; form-action 'self'; "
        "frame-ancestors 'none'; base-uri 'none'"
    )
