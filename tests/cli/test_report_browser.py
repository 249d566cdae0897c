"""Pages in a real browser: on a phone, a screen and paper, and read out by axe-core."""

import pytest

from tests.browser import CHROMIUM, MISSING, asked, faults_of, pages_of
from tests.cli.test_report import home, hostile  # noqa: F401
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
