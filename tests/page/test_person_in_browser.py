"""Reading and deciding in a real browser without script: by keyboard alone, and on paper."""

import io
import re

import httpx
import pypdf
import pytest
from reader import LAST_VISITS, picture, violations


def test_signing_in_and_opening_a_person_by_keyboard_alone(reader):
    with reader.page(signed_in=False) as page:
        page.goto(f"{reader.url}/app")
        assert page.title() == "Sign in"
        for _ in range(5):  # skip link, home, two places to sign in
            page.keyboard.press("Tab")
        page.keyboard.type(reader.token)
        page.keyboard.press("Enter")
        page.wait_for_url(f"{reader.url}/app")
        link = page.get_by_role("link", name="Testwell, Marlowe")
        for _ in range(60):
            page.keyboard.press("Tab")
            if link.and_(page.locator(":focus")).count():
                break
        page.keyboard.press("Enter")
        page.wait_for_url(f"{reader.url}/app/patients/*")
        assert page.get_by_role("heading", level=1).inner_text().startswith("Marlowe Testwell")


def test_the_list_is_narrowed_ordered_and_searched_by_keyboard_alone(reader):
    with reader.page() as page:

        def people():
            return [link.inner_text() for link in page.locator("tbody th a").all()]

        page.goto(f"{reader.url}/app")
        page.get_by_label("Has an open goal that is").focus()
        page.keyboard.type("worsening")
        for _ in range(4):
            page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        page.wait_for_url(re.compile("status=worsening"))
        assert people() == ["Mockridge, Ferris", "Testwell, Marlowe"]
        page.get_by_role("link", name="Last visit").focus()
        page.keyboard.press("Enter")
        page.wait_for_url(re.compile("sort=visit"))
        assert people() == ["Testwell, Marlowe", "Mockridge, Ferris"]
        page.get_by_label("Name", exact=True).focus()
        page.keyboard.type("quill")
        page.keyboard.press("Enter")
        page.wait_for_url(f"{reader.url}/app")
        assert people() == ["Demoray, Quilla"]


def test_a_status_is_stated_with_a_reason_and_undone_by_keyboard_alone(reader):
    def tab_to(page, target):
        for _ in range(120):
            page.keyboard.press("Tab")
            if target.and_(page.locator(":focus")).count():
                return
        raise AssertionError(target)

    with reader.page() as page:
        page.goto(reader.person("demo-03"))
        tab_to(page, page.locator(".goal .acts a").first)
        page.keyboard.press("Enter")
        tab_to(page, page.locator("#override-achievement"))
        page.keyboard.type("not att")
        tab_to(page, page.locator("form[aria-labelledby=override] button"))
        page.keyboard.press("Enter")
        page.get_by_text("Give the reason in words.").wait_for()
        tab_to(page, page.locator("#override-reason"))
        page.keyboard.type("The nerve will not recover.")
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        page.wait_for_url("**/app/patients/*?decided=*")
        assert page.get_by_role("status").inner_text().startswith("Status stated: Closes the vocal folds")
        assert page.locator(".stated").first.inner_text() == "not attainable"
        assert page.get_by_role("cell", name="The nerve will not recover.").is_visible()
        assert violations_without_script(reader, page.url) == []
        tab_to(page, page.get_by_role("link", name=re.compile("^Undo: Status stated")))
        page.keyboard.press("Enter")
        tab_to(page, page.locator("form[aria-labelledby=undo] button"))
        page.keyboard.press("Enter")
        page.wait_for_url("**/app/patients/*?decided=*")
        assert page.get_by_role("cell", name="was undone").is_visible()
        assert page.locator(".stated").count() == 0


def violations_without_script(reader, address):
    """What axe finds on a page that was seen without script."""
    with reader.page(script=True) as page:
        page.goto(address)
        return violations(page)


def test_whatever_has_the_focus_shows_it(reader):
    seen = """() => { const one = document.activeElement, style = getComputedStyle(one);
        const width = parseFloat(style.outlineWidth);
        return [one.outerHTML.slice(0, 90), one.tagName, style.outlineStyle, width] }"""
    with reader.page(script=True) as page:
        page.goto(reader.person("demo-05", "2026-09-11"))
        stops = []
        for _ in range(200):
            page.keyboard.press("Tab")
            html, tag, outline, width = page.evaluate(seen)
            if tag == "BODY":
                break
            assert (outline, width) == ("solid", 3), html
            stops.append(html)
        assert len(stops) > 20
        assert len({stop for stop in stops if "summary" in stop}) >= 1


def test_without_script_the_numbers_behind_a_chart_open(reader):
    with reader.page() as page:
        page.goto(reader.person("demo-05", "2026-09-11"))
        numbers = page.locator(".goal").get_by_role("cell", name="1 not observable: view lost").first
        assert not numbers.is_visible()
        page.get_by_text("Numbers behind the chart").first.click()
        assert numbers.is_visible()


def test_printed_it_keeps_the_goals_and_leaves_out_what_can_only_be_pressed(reader):
    with reader.page() as page:
        page.goto(reader.person("demo-05", "2026-09-11"))
        sheets = page.pdf(prefer_css_page_size=True, path=picture("person", "paper", "pdf"))
    paper = pypdf.PdfReader(io.BytesIO(sheets))
    text = re.sub(r"\s+", " ", " ".join(sheet.extract_text() for sheet in paper.pages))
    assert "Marlowe Testwell" in text
    assert "40 % 2 of 5 11 Sep 2026" in text
    assert "Goals as of 11 Sep 2026" in text
    assert "Sign out" not in text


def test_why_a_plan_is_on_hold_leaves_the_sheet_one_page(reader):
    """The reason once stood in the name's column and left what was found a few words a line."""
    paper = pypdf.PdfReader(io.BytesIO(reader.http.get(reader.sheet("demo-04")).content))
    assert len(paper.pages) == 1
    found = re.sub(r"\s+", " ", paper.pages[0].extract_text())
    assert "Home plan 28 Sep 2026 to 3 Jan 2027, on hold: fever and a wet voice" in found
    assert "level 6 on 27 Jul 2026, level 3 on 30 Sep 2026" in found
    assert "groups A/B/C/D 0/2/1/1 (A 1, 2, 4; B 3, 5, 6; C 7; D 8)" in found
    assert "At home. Call the clinic the same day for fever" in found


def test_every_demo_person_has_a_page_as_of_the_last_visit(reader):
    with reader.page() as page:
        for name, day in LAST_VISITS.items():
            assert page.goto(reader.person(name)).status == 200, (name, day)
            assert page.locator(".goal").count() >= 2
            assert page.get_by_text("test data, an invented person").count() == 1


@pytest.fixture
def there(reader):
    """The hospital, where somebody has to allow a sign-in."""
    reader.there.straighten()
    reader.there.waits = True
    return reader.there


def test_somebody_signs_in_at_the_hospital_and_out_again(reader, there):
    with reader.page(signed_in=False) as page:
        page.goto(f"{reader.url}/app")
        page.get_by_role("link", name="Sign in with HTEST login").click()
        page.get_by_text("Allow").click()
        page.wait_for_url(f"{reader.url}/app")
        assert page.get_by_text("Signed in as Wren Exampleton").is_visible()
        assert {cookie["name"] for cookie in page.context.cookies()} == {"session"}
        page.get_by_role("button", name="Sign out").click()
        page.wait_for_url(f"{there.url}/auth/logout?*")
        page.get_by_text("Back").click()
        assert page.title() == "Sign in"
        page.goto(f"{reader.url}/app")
        assert page.title() == "Sign in"


def test_the_record_opens_the_person_it_shows(reader, there):
    with reader.page(signed_in=False) as page:
        page.goto(f"{there.url}/ehr?app={reader.url}/app/launch")
        page.get_by_text("Swallowing").click()
        page.get_by_text("Allow").click()
        page.wait_for_url(f"{reader.url}/app/patients/*")
        assert page.get_by_role("heading", level=1).inner_text().startswith("Marlowe Testwell")
        page.goto(f"{reader.url}/app/sign-in")
        page.get_by_role("link", name="Sign in with HTEST record").click()
        page.get_by_text("Allow").click()
        page.wait_for_url(f"{reader.url}/app/patients/*")
        assert page.get_by_role("heading", level=1).inner_text().startswith("Marlowe Testwell")
        there.value = "nobody"
        page.goto(f"{reader.url}/app/login/record")
        page.get_by_text("Allow").click()
        assert page.get_by_role("alert").inner_text().startswith("The person you opened is not on file here")


def test_in_an_emergency_a_record_opens_and_says_so_until_it_is_left(reader):
    stranger = {"resourceType": "Patient", "id": "stranger", "name": [{"family": "HTEST"}]}
    headers = {"Authorization": f"Bearer {reader.tokens['integrator']}"}
    httpx.put(f"{reader.url}/fhir/Patient/stranger", json=stranger, headers=headers).raise_for_status()
    with reader.page(script=True) as page:
        page.goto(f"{reader.url}/app/patients/stranger")
        assert violations(page) == []
        page.get_by_role("link", name="emergency access").click()
        page.get_by_role("button", name="Break the glass").click()
        page.get_by_text("Give the reason in words").wait_for()
        assert violations(page) == []
        page.get_by_label("Reason").fill("Choking, nobody of the team is here")
        page.get_by_role("button", name="Break the glass").click()
        page.wait_for_url(f"{reader.url}/app/patients/stranger")
        banner = page.get_by_role("status")
        assert "open to you for: Choking, nobody of the team is here" in banner.inner_text()
        assert violations(page) == []
        page.emulate_media(color_scheme="dark")
        assert violations(page, kind="cat.color") == []
        page.screenshot(path=picture("emergency", "night"))
        banner.get_by_role("link").click()
        page.wait_for_url(f"{reader.url}/app")
        assert page.goto(f"{reader.url}/app/patients/stranger").status == 404
