"""Breaking the glass on the page: who may, for whom, how loudly, and when it is over."""

import base64

import pytest
from login_site import MINE, OTHERS, ROOT
from page_reader import Page
from test_acts import hidden

pytestmark = pytest.mark.anyio
THEIRS = f"/app/patients/{OTHERS}"
GLASS = f"{THEIRS}/emergency"
REASON = "Choking in the ward, nobody of the team is here"


@pytest.fixture
async def on_call(site):
    """Somebody signed in who may break the glass."""
    site.there.claims = {"groups": ["therapists", "on-call"]}
    await site.signed_in()
    return site


async def broken(site, to=GLASS, **fields):
    form = await site.browser.get(to)
    sent = hidden(form.text, "break") | {"reason": REASON} | fields
    return await site.browser.post(to, data=sent, headers={"Origin": ROOT})


@pytest.mark.conformance("I10")
async def test_a_person_s_pages_open_for_a_reason_until_they_are_left(on_call):
    browser = on_call.browser
    withheld = await browser.get(THEIRS)
    assert withheld.status_code == 404
    assert GLASS in [one["href"] for one in Page(withheld.text).attributes("a")]
    opened = await broken(on_call)
    assert (opened.status_code, opened.headers["location"]) == (303, THEIRS)
    shown = await browser.get(THEIRS)
    assert shown.status_code == 200
    assert f"Emergency access. This record is open to you for: {REASON}." in Page(shown.text).text
    assert (await browser.get(f"/app/resources/Goal/goal-{OTHERS}")).status_code == 200
    assert (await browser.get(f"/app/resources/Goal/goal-{MINE}")).status_code == 404, "for this one alone"
    await browser.get("/app/style.css")
    assert (await browser.get(THEIRS)).status_code == 200
    listed = await browser.get("/app")
    assert OTHERS not in listed.text
    assert (await browser.get(THEIRS)).status_code == 404, "it was left"


@pytest.mark.conformance("I10")
async def test_it_is_recorded_as_by_the_api(on_call):
    await broken(on_call)
    await on_call.browser.get(THEIRS)
    found = [
        one
        for subtype in ("operation", "read")
        for one in await on_call.events(subtype)
        if "purposeOfEvent" in one
    ]
    assert len(found) == 2
    for event in found:
        (purpose,) = event["purposeOfEvent"]
        assert (purpose["coding"][0]["code"], purpose["text"]) == ("BTG", REASON)
        assert f"Patient/{OTHERS}" in [one.get("what", {}).get("reference") for one in event["entity"]]
        queries = [base64.b64decode(one["query"]).decode() for one in event["entity"] if "query" in one]
        assert REASON not in str(queries)


@pytest.mark.parametrize("reason", ["", "  \n ", "x" * 501])
async def test_without_a_reason_nothing_opens(on_call, reason):
    answer = await broken(on_call, reason=reason)
    assert answer.status_code == 422
    assert "Give the reason in words" in answer.text
    assert (await on_call.browser.get(THEIRS)).status_code == 404


async def test_the_form_tells_nobody_who_is_on_file(on_call):
    nobody = await on_call.browser.get("/app/patients/nobody-at-all/emergency")
    somebody = await on_call.browser.get(GLASS)
    assert nobody.text.replace("nobody-at-all", OTHERS) == somebody.text
    await broken(on_call, "/app/patients/nobody-at-all/emergency")
    assert (await on_call.browser.get("/app/patients/nobody-at-all")).status_code == 404
    assert (await on_call.browser.get("/app/patients/a%20b/emergency")).status_code == 404


async def test_it_ends_by_itself_with_the_sign_in_and_with_another_caller(on_call):
    browser = on_call.browser
    await broken(on_call)
    kept = browser.cookies["emergency"]
    on_call.wait(910)
    assert (await browser.get(THEIRS)).status_code == 404
    await broken(on_call)
    kept = browser.cookies["emergency"]
    for sealed in (kept[:-4] + "AAAA", "x", browser.cookies["session"]):
        browser.cookies.set("emergency", sealed, path="/app")
        assert (await browser.get(THEIRS)).status_code == 404
    async with on_call.another_browser() as on_call.browser:
        await on_call.signed_in()
        on_call.browser.cookies.set("emergency", kept, path="/app")
        assert (await on_call.browser.get(THEIRS)).status_code == 404, "another sign-in"
        out = await on_call.browser.post("/app/sign-out", headers={"Origin": ROOT})
        dropped = [text for text in out.headers.get_list("set-cookie") if "Max-Age=0" in text]
        assert [text.partition("=")[0] for text in dropped] == ["session", "emergency"]


async def test_only_who_may_and_only_by_our_form(site):
    await site.signed_in()
    withheld = await site.browser.get(THEIRS)
    assert "emergency" not in withheld.text
    assert (await site.browser.get(GLASS)).status_code == 403
    sent = {"form": "0" * 64, "act": "break", "reason": REASON}
    assert (await site.browser.post(GLASS, data=sent, headers={"Origin": ROOT})).status_code == 403
    site.there.claims = {"groups": ["on-call"]}
    await site.signed_in()
    assert (await site.browser.post(GLASS, data=sent, headers={"Origin": ROOT})).status_code == 403
    elsewhere = {"Origin": "https://elsewhere.example.org"}
    form = hidden((await site.browser.get(GLASS)).text, "break")
    assert (
        await site.browser.post(GLASS, data=form | {"reason": REASON}, headers=elsewhere)
    ).status_code == 403
    assert (await site.browser.get(THEIRS)).status_code == 404
