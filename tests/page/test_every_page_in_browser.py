"""Every kind of page in a real browser, open side by side: by day, at night, small, zoomed."""

from dataclasses import dataclass

import pytest
from playwright.sync_api import Page
from reader import HIGH, PHONE, WIDE, ZOOMED, picture, violations

SMALLEST_TARGET = 24  # CSS pixels (WCAG 2.2, 2.5.8)
LARGEST_PAGE = 400_000


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


def test_every_page_is_light_and_asks_no_other_host(opened, reader):
    assert {name: one.size for name, one in opened.items() if one.size > LARGEST_PAGE} == {}
    asked = {url for one in opened.values() for url in one.asked}
    assert {url for url in asked if not url.startswith((reader.url, "data:"))} == set()
