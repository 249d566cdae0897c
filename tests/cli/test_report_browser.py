"""Pages in a real browser: on a phone, a screen and paper, and read out by axe-core."""

import pytest

from tests.browser import CHROMIUM, MISSING, asked, faults_of, pages_of
from tests.cli.test_report import home, hostile, words_for  # noqa: F401
from tests.tools import here

pytestmark = [pytest.mark.skipif(CHROMIUM is None, reason=MISSING), pytest.mark.slow]
WIDTHS = (390, 820, 1440)
MEASURED = """
const wide = [...document.querySelectorAll('body *')].filter(e =>
    !e.closest('.scroll') && !e.closest('svg') && e.getBoundingClientRect().right > innerWidth + 1);
const images = [...document.images];
return {over: wide.map(e => e.tagName + '.' + e.className),
        scrolls: document.documentElement.scrollWidth > innerWidth,
        images: images.length, decoded: images.every(i => i.naturalWidth > 0),
        fetched: performance.getEntriesByType('resource').map(e => e.name)
            .filter(n => !n.startsWith('data:')),
        charts: [...document.querySelectorAll('.block > svg')]
            .filter(e => getComputedStyle(e).display !== 'none').length,
        small: Math.min(...[...document.querySelectorAll('svg:not(.sign) text')]
            .filter(e => e.getBoundingClientRect().height)
            .map(e => e.getBoundingClientRect().height))};
"""


@pytest.fixture(params=["home", "hostile"])
def page(request, tmp_path):
    """Write a night's page."""
    path = tmp_path / "page.html"
    where = request.getfixturevalue(request.param)
    assert here(where, "report", "-o", path).returncode == 0
    return path


@pytest.fixture(params=["season", "target"])
def summed(request, home, tmp_path):  # noqa: F811
    """Write a season's page and a target's."""
    path = tmp_path / "page.html"
    assert here(home, "report", *words_for(home, request.param), "-o", path).returncode == 0
    return path


@pytest.mark.parametrize("width", WIDTHS)
def test_nothing_sticks_out_and_nothing_is_fetched(page, width):
    """Guards a page that scrolls sideways, a chart drawn twice, a picture not decoded."""
    found = asked(page, width, MEASURED)
    assert (found["over"], found["scrolls"], found["fetched"]) == ([], False, [])
    assert found["decoded"]
    assert found["charts"] <= 1
    assert found["small"] is None or found["small"] >= 8


@pytest.mark.parametrize(("width", "dark"), [(390, False), (1440, False), (820, True)])
def test_axe_finds_nothing(page, width, dark):
    """Guards who reads with a screen reader, a keyboard or weak eyes: axe-core's own rules."""
    assert faults_of(page, width, dark=dark) == []


def test_a_night_is_one_sheet_of_paper(page):
    """Guards the page beside the mount: A4, one sheet a rig."""
    rigs = page.read_text(encoding="utf-8").count('<section class="sheet')
    assert pages_of(page) == rigs


def test_a_season_and_a_target_on_a_phone_and_on_paper(summed):
    """Guards the other pages: nothing sticks out at 390 px, axe finds nothing, four sheets."""
    found = asked(summed, 390, MEASURED)
    assert (found["over"], found["scrolls"], found["fetched"]) == ([], False, [])
    assert faults_of(summed, 390) == []
    assert 1 <= pages_of(summed) <= 4
