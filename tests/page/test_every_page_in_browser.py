"""Every kind of page in a real browser, open side by side: by day, at night, small, zoomed."""

from dataclasses import dataclass
from itertools import pairwise

import pytest
from playwright.sync_api import Page
from reader import HIGH, PHONE, WIDE, ZOOMED, picture, violations

SMALLEST_TARGET = 24  # CSS pixels (WCAG 2.2, 2.5.8)
LARGEST_PAGE = 400_000
USUAL_PHONE = 360


@dataclass(frozen=True)
class Opened:
    """A page, how large its text is, and the addresses it asked for."""

    page: Page
    size: int
    asked: list[str]

    def as_seen(self, width: int = WIDE, *, dark: bool = False) -> Page:
        """The page as it looks at a width, by day or at night."""
        self.page.set_viewport_size({"width": width, "height": HIGH})
        self.page.emulate_media(color_scheme="dark" if dark else "light")
        return self.page


@pytest.fixture(scope="module")
def opened(reader):
    """Every kind of page, each loaded once."""

    def load(window, address):
        page, asked = window.new_page(), []
        for part, role in (("/app/cohort", "researcher"), ("/app/operations", "operator")):
            if part in address:  # what a clinician may not see
                page.set_extra_http_headers({"Authorization": f"Bearer {reader.tokens[role]}"})
        page.on("request", lambda request: asked.append(request.url))
        return Opened(page, len(page.goto(address).body()), asked)

    with reader.window(script=True) as window:
        yield {name: load(window, address) for name, address in reader.pages().items()}


@pytest.mark.published("axe-core, the accessibility rules of Deque Systems")
@pytest.mark.parametrize(("width", "mode"), [(WIDE, "day"), (PHONE, "phone")])
def test_axe_finds_nothing_wrong(opened, width, mode):
    for name, one in opened.items():
        page = one.as_seen(width)
        assert violations(page) == [], name
        page.screenshot(path=picture(name, mode))


@pytest.mark.published("axe-core, the accessibility rules of Deque Systems")
def test_axe_finds_nothing_wrong_at_night_where_only_colours_differ(opened):
    for name, one in opened.items():
        page = one.as_seen(dark=True)
        assert violations(page, kind="cat.color") == [], name
        page.screenshot(path=picture(name, "night"))


@pytest.mark.parametrize("width", [PHONE, ZOOMED])
def test_nothing_has_to_be_scrolled_sideways(opened, width):
    for name, one in opened.items():
        assert one.as_seen(width).evaluate("document.documentElement.scrollWidth") <= width, name


def test_what_is_said_of_a_table_is_seen_whole_on_a_phone(opened):
    """A wide table is scrolled by itself; its caption may be what its numbers must be read with."""
    find = """() => [...document.querySelectorAll('.wide caption')].filter(one => one.checkVisibility())
        .map(one => [one.innerText, one.getBoundingClientRect().right])"""
    for name, one in opened.items():
        cut = [text for text, right in one.as_seen(PHONE).evaluate(find) if right > PHONE]
        assert cut == [], name


def test_a_table_of_few_columns_is_seen_whole_on_a_phone(opened):
    find = """() => [...document.querySelectorAll('.wide table')].filter(one => one.checkVisibility())
        .filter(one => one.tHead && one.tHead.rows[0].cells.length < 4)
        .filter(one => !one.matches('.grid, .trials') && one.scrollWidth > one.parentElement.clientWidth)
        .map(one => one.innerText)"""
    for name, one in opened.items():
        assert one.as_seen(PHONE).evaluate(find) == [], name


@pytest.mark.parametrize("width", [768, WIDE])
def test_on_a_screen_no_drawing_has_to_be_scrolled(opened, width):
    find = """() => [...document.querySelectorAll('figure')].filter(one => one.checkVisibility())
        .filter(one => one.scrollWidth > one.clientWidth).map(one => one.getAttribute('aria-label'))"""
    for name, one in opened.items():
        assert one.as_seen(width).evaluate(find) == [], name


def test_bias_is_seen_whole_on_a_usual_phone(opened):
    """Of a wider drawing only the end would be seen: neither the days nor most of the bars."""
    seen = """() => [...document.querySelectorAll('figure[aria-label*="bias" i]')]
        .filter(one => one.checkVisibility()).map(one => one.scrollWidth <= one.clientWidth)"""
    for name in ("person", "person with red flags", "cohort"):
        drawn = opened[name].as_seen(USUAL_PHONE).evaluate(seen)
        assert drawn, name
        assert all(drawn), name


def test_what_can_be_pressed_is_large_enough(opened):
    """Links inside sentences are exempt (2.5.8, inline)."""
    find = """() => [...document.querySelectorAll('a, button, summary, input, select, textarea')]
        .filter(one => !['P', 'DD', 'FOOTER'].includes(one.parentElement.tagName))
        .filter(one => !one.classList.contains('skip') && one.checkVisibility())
        .map(one => [one.outerHTML.slice(0, 90), one.getBoundingClientRect()])
        .map(([html, box]) => [html, Math.min(box.width, box.height)])"""
    for name, one in opened.items():
        small = [html for html, side in one.as_seen().evaluate(find) if side < SMALLEST_TARGET]
        assert small == [], name


def test_places_to_sign_in_stand_apart(opened):
    find = """() => [...document.querySelectorAll('main .button, main h2')]
        .map(one => one.getBoundingClientRect()).map(box => [box.top, box.bottom])"""
    boxes = opened["sign in"].as_seen(PHONE).evaluate(find)
    assert len(boxes) == 3
    assert all(below - bottom >= 8 for (_, bottom), (below, _) in pairwise(boxes))


def test_every_page_is_light_and_asks_no_other_host(opened, reader):
    assert {name: one.size for name, one in opened.items() if one.size > LARGEST_PAGE} == {}
    asked = {url for one in opened.values() for url in one.asked}
    assert {url for url in asked if not url.startswith((reader.url, "data:"))} == set()
