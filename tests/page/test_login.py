"""Signing in where the hospital does, being opened from its record, and what is tried against it."""

import base64
import json
import re
from typing import Any
from urllib.parse import parse_qs, parse_qsl, urlencode, urlsplit

import httpx
import pytest
from hospital import KEY, LAUNCH, OTHER
from login_site import MINE, OTHERS, ROOT, Site, on_file
from page_reader import Page

pytestmark = [
    pytest.mark.anyio,
    pytest.mark.published("OpenID Connect Core 1.0; SMART App Launch 2.2; RFC 7636, RFC 9207, RFC 9700"),
]


def leads_to(answer: httpx.Response) -> str:
    """Where a page in between leads on to."""
    assert answer.status_code == 200, answer.text
    (refresh,) = [one for one in Page(answer.text).attributes("meta") if "http-equiv" in one]
    return str(refresh["content"]).removeprefix("0; url=")


def changed(address: str, **parameters: str | None) -> str:
    parts = urlsplit(address)
    asked = dict(parse_qsl(parts.query)) | parameters
    return f"{parts.path}?{urlencode({k: v for k, v in asked.items() if v is not None})}"


def launch_of(site: Site, iss: str = "") -> str:
    return "/app/launch?" + urlencode({"iss": iss or f"{site.there.fhir}/", "launch": LAUNCH})


async def test_somebody_signs_in_sees_their_patients_and_signs_out_for_good(site):
    form = Page((await site.browser.get("/app/sign-in")).text)
    assert [one["href"] for one in form.attributes("a") if "/login/" in one["href"]] == [
        "/app/login/login",
        "/app/login/record",
    ]
    assert "built-in development issuer" in form.text
    answer = await site.signed_in()
    assert leads_to(answer) == "/app"
    assert answer.headers["referrer-policy"] == "no-referrer"
    page = Page((await site.browser.get("/app")).text)
    assert "Signed in as Wren Exampleton" in page.text
    token = site.browser.cookies["session"]
    claims = json.loads(base64.urlsafe_b64decode(f"{token.split('.')[1]}=="))
    assert (claims["iss"], claims["sub"]) == (f"{ROOT}/oauth/login", "htest-7")
    assert claims["fhirUser"] == "Practitioner/wren"
    assert claims["exp"] - claims["iat"] <= 1_800, "the provider says so"
    bearer = {"Authorization": f"Bearer {token}"}
    found = (await site.browser.get("/fhir/Patient", headers=bearer)).json()
    assert [entry["resource"]["id"] for entry in found["entry"]] == [MINE]
    out = await site.browser.post("/app/sign-out", headers={"Origin": ROOT})
    assert urlsplit(leads_to(out)).path == "/auth/logout"
    back = parse_qs(urlsplit(leads_to(out)).query)
    assert back == {"client_id": ["swallow"], "post_logout_redirect_uri": [f"{ROOT}/app/sign-in"]}
    assert (await site.browser.get("/app")).status_code == 401
    assert (await site.browser.get("/fhir/Patient", headers=bearer)).status_code == 401
    (event,) = await site.events()
    assert (event["outcome"], event["agent"][0]["who"]["reference"]) == ("0", "Practitioner/wren")
    assert [one["agent"][0]["altId"] for one in await site.events("110123")] == ["htest-7"]


async def test_who_signed_out_is_out_in_every_process(site):
    await site.signed_in()
    bearer = {"Authorization": f"Bearer {site.browser.cookies['session']}"}
    here = site.browser
    async with site.with_settings() as other:
        assert (await other.browser.get("/fhir/Patient", headers=bearer)).status_code == 200
        await here.post("/app/sign-out", headers={"Origin": ROOT})
        site.wait(site.settings.revocation_seconds)
        other.ahead = site.ahead
        assert (await other.browser.get("/fhir/Patient", headers=bearer)).status_code == 401


async def test_a_session_ends_when_the_provider_or_the_settings_say_so(site):
    site.there.grants = {"expires_in": 60}
    await site.signed_in()
    site.wait(45)
    assert (await site.browser.get("/app")).status_code == 200
    site.wait(50)
    assert (await site.browser.get("/app")).status_code == 401
    site.there.grants = {"expires_in": 90_000}
    await site.signed_in()
    site.wait(3_640)
    assert (await site.browser.get("/app")).status_code == 401


async def test_a_record_opens_the_person_it_shows(site):
    answer = await site.signed_in(launch_of(site))
    assert leads_to(answer) == f"/app/patients/{MINE}"
    assert site.there.scopes == "openid fhirUser launch patient/Patient.r user/Practitioner.r"
    (event,) = await site.events()
    people = [one["what"].get("reference") for one in event["entity"]]
    assert f"Patient/{MINE}" in people
    assert leads_to(await site.signed_in("/app/login/record")) == f"/app/patients/{MINE}"
    assert "launch/patient" in site.there.scopes.split()


@pytest.mark.parametrize("value", ["nobody", "demo-02", ""])
async def test_a_person_not_on_file_or_not_in_care_is_told_alike(site, value):
    site.there.value = value
    answer = await site.signed_in(launch_of(site))
    assert answer.status_code == 404
    assert "not on file here, or not in your care" in answer.text
    assert (await site.browser.get("/app")).status_code == 200, "signed in all the same"


async def test_two_people_with_the_identifiers_of_one_are_not_guessed_at(site):
    twin = {**on_file()[1], "id": "twin"}
    (await site.browser.put("/fhir/Patient/twin", json=twin, headers=site.signed())).raise_for_status()
    team = {**on_file()[-1], "id": "team-2", "subject": {"reference": "Patient/twin"}}
    (await site.browser.put("/fhir/CareTeam/team-2", json=team, headers=site.signed())).raise_for_status()
    answer = await site.signed_in(launch_of(site))
    assert answer.status_code == 404
    assert "More than one person" in answer.text


@pytest.mark.parametrize(
    "iss", ["https://elsewhere.example.org/fhir", "http://169.254.169.254/fhir", "file:///etc", "x", "/"]
)
async def test_a_record_that_is_not_listed_opens_nothing_and_is_not_asked(site, iss):
    answer = await site.browser.get(launch_of(site, iss))
    assert answer.status_code == 403
    assert "set-cookie" not in answer.headers
    assert (await site.browser.get("/app/launch?launch=x&iss=")).status_code == 403
    assert (await site.browser.get(f"/app/launch?iss={site.there.fhir}")).status_code == 403
    assert site.there.asked == []
    assert {one["outcome"] for one in await site.events()} == {"4"}


BENT: dict[str, dict[str, Any]] = {
    "another nonce": {"claims": {"nonce": "another"}},
    "no nonce": {"claims": {"nonce": None}},
    "made for another client": {"claims": {"aud": "another"}},
    "made for several, authorized for another": {"claims": {"aud": ["swallow", "x"], "azp": "x"}},
    "made for several, authorized for none": {"claims": {"aud": ["swallow", "x"]}},
    "of another issuer": {"claims": {"iss": "https://elsewhere.example.org"}},
    "expired": {"claims": {"exp": 1_000}},
    "without an end": {"claims": {"exp": None}},
    "nobody's": {"claims": {"sub": ""}},
    "from the future": {"claims": {"iat": 9_999_999_999}},
    "not signed": {"header": {"alg": "none"}},
    "signed with another key": {"signs": OTHER},
    "signed with another key, in the name of the right one": {"signs": OTHER, "header": {"kid": KEY.kid}},
    "signed with the public key": {"header": {"alg": "HS256"}},
    "an algorithm that is not listed": {"header": {"alg": "PS256"}},
    "an access token": {"header": {"typ": "at+jwt"}},
    "no token": {"grants": {"id_token": "x.y.z"}},
    "nothing": {"grants": {"id_token": None}},
    "an end that is past": {"grants": {"expires_in": -1}},
    "an end that is no number": {"grants": {"expires_in": "soon"}},
    "an endless one": {"grants": {"expires_in": float("nan")}},
    "a patient that is none": {"grants": {"patient": "../../x"}},
    "the answer of another issuer": {"answer": {"iss": "https://elsewhere.example.org"}},
    "the answer of nobody, though it says it names itself": {"answer": {"iss": None}},
    "a refusal": {"answer": {"code": None, "error": "access_denied"}},
    "a refusal with a code": {"answer": {"error": "access_denied"}},
    "an invented code": {"answer": {"code": "invented"}},
    "another state": {"answer": {"state": "another"}},
    "no state": {"answer": {"state": None}},
}


async def test_what_is_bent_signs_nobody_in(site):
    usual = {name: getattr(site.there, name) for name in ("claims", "header", "signs", "grants", "answer")}
    for what, changes in BENT.items():
        vars(site.there).update(usual | changes)
        answer = await site.signed_in("/app/login/record")
        assert answer.status_code == 401, what
        assert "session" not in site.browser.cookies, what
        assert "Begin again" in answer.text, what
    vars(site.there).update(usual)
    assert leads_to(await site.signed_in())
    outcomes = [one["outcome"] for one in await site.events()]
    assert sorted(outcomes) == ["0"] + ["4"] * len(BENT)


async def test_an_answer_is_good_once_and_in_the_browser_that_asked(site, caplog):
    back = await site.sent_back()
    async with site.another_browser() as thief:
        stolen = await thief.get(back)
        assert stolen.status_code == 401
        assert "not begun in this browser" in stolen.text
    assert (await site.browser.get(changed(back, state="x"))).status_code == 401
    for wrong in ("/app/login/record/callback", "/app/login/nobody/callback"):
        assert (await site.browser.get(f"{wrong}?{urlsplit(back).query}")).status_code in {401, 404}
    kept = dict(site.browser.cookies)
    assert leads_to(await site.browser.get(back)) == "/app"
    again = await site.browser.get(back, headers={"Cookie": f"login={kept['login']}"})
    assert "answered before" in again.text
    site.browser.cookies.set("login", f"{kept['login'][:-4]}AAAA", path="/app")
    assert (await site.browser.get(back)).status_code == 401
    late = await site.sent_back()
    site.wait(700)
    assert "too long ago" in (await site.browser.get(late)).text
    code = parse_qs(urlsplit(back).query)["code"][0]
    events = json.dumps(await site.events())
    queries = [base64.b64decode(one).decode() for one in re.findall(r'"query": "([^"]+)"', events)]
    for secret in (code, kept["login"], parse_qs(urlsplit(back).query)["state"][0]):
        assert secret not in events + caplog.text + str(queries)


async def test_nobody_gets_in_without_a_role_or_a_person(site):
    for claims, said in (
        ({"groups": ["visitors"]}, "no role"),
        ({"groups": None}, "no role"),
        ({"groups": "therapists, of another house"}, "no role"),
        ({"employee_number": "slp-99"}, "nobody"),
        ({"employee_number": None}, "nobody"),
        ({"employee_number": ["slp-01"]}, "nobody"),
    ):
        site.there.claims = claims
        answer = await site.signed_in()
        assert answer.status_code == 403, claims
        assert said in answer.text
        assert "session" not in site.browser.cookies
    events = await site.events()
    assert {one["outcome"] for one in events} == {"4"}
    assert {one["agent"][0].get("altId") for one in events} == {"htest-7"}


async def test_a_sign_in_leads_to_the_page_that_was_asked_for(site):
    page = f"/app/patients/{MINE}?date=2026-09-11"
    refused = await site.browser.get(page)
    assert (refused.status_code, "Sign in" in refused.text) == (401, True)
    assert leads_to(await site.signed_in()) == page
    assert "wanted" not in site.browser.cookies
    del site.browser.cookies["session"]
    assert leads_to(await site.signed_in()) == "/app", "once"


async def test_a_session_that_ran_out_goes_on_where_it_was_also_at_a_form_in_an_emergency(site):
    site.there.claims = {"groups": ["therapists", "on-call"]}
    await site.signed_in()
    site.wait(3_700)
    glass = f"/app/patients/{OTHERS}/emergency"
    assert (await site.browser.get(glass)).status_code == 401
    assert leads_to(await site.signed_in()) == glass
    assert (await site.browser.get(f"/app/patients/{OTHERS}")).status_code == 404, "nothing is broken by it"


async def test_signing_out_ends_what_was_asked_for(site):
    await site.browser.get("/app/resources/Goal/g")
    await site.browser.post("/app/sign-out", headers={"Origin": ROOT})
    assert leads_to(await site.signed_in()) == "/app"


async def test_no_address_leads_elsewhere(site):
    back = await site.sent_back()
    more = {"next": "https://elsewhere.example.org", "redirect_uri": "//elsewhere", "to": "//elsewhere"}
    answer = await site.browser.get(f"{changed(back, **more)}")
    assert leads_to(answer) == "/app"
    assert "elsewhere" not in answer.text
    for start in ("/app/login/login?next=//elsewhere.example.org", "/app/login/login?redirect_uri=x"):
        sent_to = (await site.browser.get(start)).headers["location"]
        asked = parse_qs(urlsplit(sent_to).query)
        assert asked["redirect_uri"] == [f"{ROOT}/app/login/login/callback"]
        assert urlsplit(sent_to).netloc == urlsplit(site.there.url).netloc
    other = await site.browser.get("/app/login/login", headers={"Host": "elsewhere.example.org"})
    assert "elsewhere" not in other.headers["location"]


async def test_keys_may_change_and_a_provider_may_be_away(site):
    assert leads_to(await site.signed_in())
    site.there.keys, site.there.signs = [KEY, OTHER], OTHER
    site.wait(20)
    assert leads_to(await site.signed_in()), "its new key is fetched when a token names it"
    site.wait(700)
    site.there.says = {"issuer": "https://elsewhere.example.org"}
    answer = await site.browser.get("/app/login/login")
    assert answer.status_code == 503
    assert "can&#39;t be reached now" in answer.text


@pytest.mark.parametrize(
    "says",
    [
        {"token_endpoint": "http://elsewhere.example.org/token"},
        {"authorization_endpoint": "javascript:alert(1)"},
        {"end_session_endpoint": "javascript:alert(1)"},
        {"jwks_uri": "http://169.254.169.254/keys"},
        {"code_challenge_methods_supported": ["plain"]},
        {"token_endpoint": None},
    ],
    ids=str,
)
async def test_what_a_provider_says_of_itself_is_not_taken_as_it_is(site, says):
    site.there.says = says
    assert (await site.browser.get("/app/login/login")).status_code == 503


async def test_what_is_fetched_goes_where_the_site_lets_it(site):
    async with site.with_settings(outgoing_hosts=""):
        assert (await site.browser.get("/app/login/login")).status_code == 503
    assert site.there.asked == []


async def test_a_provider_that_is_listed_no_longer_has_nobody_signed_in(site):
    await site.signed_in()
    token = site.browser.cookies["session"]
    bearer = {"Authorization": f"Bearer {token}"}
    assert (await site.browser.get("/app", headers=bearer)).status_code == 200
    async with site.with_settings(providers=""):
        assert (await site.browser.get("/app", headers=bearer)).status_code == 401


async def test_a_proxy_may_say_that_it_was_https(site):
    headers = {"X-Forwarded-Proto": "https"}
    for trust, name in ((False, "login"), (True, "__Host-login")):
        async with site.with_settings(trust_forwarded=trust) as one:
            begun = await one.browser.get("/app/login/login", headers=headers)
            assert begun.headers["set-cookie"].startswith(f"{name}="), trust


async def test_over_https_the_cookies_are_bound_to_this_host(site):
    async with site.with_settings(base_url="https://swallow.example.org") as one:
        begun = await one.browser.get("/app/login/login")
        (cookie,) = begun.headers.get_list("set-cookie")
        assert cookie.startswith("__Host-login=")
        assert {"Secure", "HttpOnly", "SameSite=lax", "Path=/"} <= set(cookie.split("; "))
        back = (await one.outside.get(begun.headers["location"])).headers["location"]
        sealed = cookie.partition("=")[2].partition(";")[0]
        assert (await one.browser.get(back, headers={"Cookie": f"login={sealed}"})).status_code == 401
        done = await one.browser.get(back, headers={"Cookie": f"__Host-login={sealed}"})
        kept = [text for text in done.headers.get_list("set-cookie") if text.startswith("__Host-session=")]
        assert {"Secure", "HttpOnly", "SameSite=strict", "Path=/"} <= set(kept[0].split("; "))
