"""`runlog report`: one file that stands by itself, whatever headers say and whatever lies there."""

import json
import os
import re
import resource
import shutil
import sqlite3
from html.parser import HTMLParser

import html5lib
import pytest

from runlog.actions.page import html_of
from samples.maker.quick import make_run
from tests.tools import here, moment, noise, runlog, write_frame

HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "</title></style><svg onload=alert(1)>",
    "{{ 7 * 7 }}{% raw %}",
    "' style='background:url(//x)",
    "\u202egpj.\x1b]0;T\x07 &amp; &lt;",
)


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """Scan a run of 14 frames: three in poor seeing, two trailed; set a goal."""
    home = tmp_path_factory.mktemp("report")
    spoiled = {i: {"fault": "soft"} for i in (5, 6, 7)} | {i: {"fault": "trailed"} for i in (9, 10)}
    make_run(home / "frames", frames=14, seed=9, size=(420, 560), overrides=spoiled)
    assert here(home, "scan", home / "frames").returncode == 0
    target = json.loads(here(home, "totals", "--json").stdout)["rows"][0]["target"]
    assert here(home, "goal", target, "L", "20").returncode == 0
    return home


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    """Scan frames whose headers would be markup, scripts, templates; note more of the kind."""
    home = tmp_path_factory.mktemp("markup")
    for n, text in enumerate(HOSTILE):
        plain = text.replace("\x1b", "?").replace("\x07", "?").replace("\u202e", "?")
        cards = {"OBJECT": plain, "FILTER": plain[:60], "TELESCOP": HOSTILE[1]}
        cards["DATE__OBS"] = moment(n * 312)
        write_frame(home / "frames" / f"light_{n}.fits", noise(n), **cards)
    assert here(home, "scan", home / "frames").returncode == 0
    said = here(home, "note", HOSTILE[0] + HOSTILE[5], "--date", "2026-10-09")
    assert said.returncode == 0, said.stderr
    return home


def page(home, *words):
    """Write a page to stdout and give its text."""
    done = here(home, "report", *words, "-o", "-")
    assert done.returncode == 0, done.stderr
    return done.stdout


class Elements(HTMLParser):
    """Every element with its attributes, as Python's own parser reads them."""

    def __init__(self, text):
        super().__init__()
        self.found = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))


@pytest.mark.parametrize("which", ["home", "hostile"])
def test_a_strict_parser_reads_it(which, request):
    """Guards markup that browsers mend, each its own way: html5lib takes no error."""
    text = page(request.getfixturevalue(which))
    document = html5lib.HTMLParser(strict=True).parse(text)
    assert document is not None


@pytest.mark.parametrize("which", ["home", "hostile"])
def test_nothing_is_fetched_and_nothing_runs(which, request):
    """Guards a page that calls home or runs what a header says: no element and attribute can."""
    text = page(request.getfixturevalue(which))
    elements = Elements(text).found
    assert not {tag for tag, _ in elements} & {
        "script", "link", "iframe", "object", "embed", "base", "form", "audio", "video", "use", "a",
    }  # fmt: skip
    for _, attributes in elements:
        assert not [name for name in attributes if name.startswith("on") or name == "style"]
        for name in ("src", "href", "xlink:href", "srcset", "poster", "action"):
            assert attributes.get(name, "#").startswith(("#", "data:image/png;base64,"))
    style = text[text.index("<style>") : text.index("</style>")]
    assert "url(" not in style and "@import" not in style
    policy = next(a["content"] for t, a in elements if a.get("http-equiv"))
    assert policy.startswith("default-src 'none'; img-src data:; style-src 'unsafe-inline'")
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e]", text)


def test_hostile_text_is_shown_as_it_stands(hostile):
    """Guards text that is dropped instead of escaped: a person sees what the header says."""
    text = page(hostile)
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in text
    assert "{{ 7 * 7 }}" in text and "49" not in re.findall(r"<td[^>]*>([^<]*)", text)
    assert "&amp;amp;" in text  # what looks escaped already is escaped once more


def test_same_input_same_bytes(home):
    """Guards a clock, an order of sets, a random name: two processes write the same."""
    first, second = (
        runlog(home, "report", "-o", f"{n}.html", env={"PYTHONHASHSEED": str(n)}) for n in (1, 2)
    )
    assert (first.returncode, second.returncode) == (0, 0), first.stderr
    assert (home / "1.html").read_bytes() == (home / "2.html").read_bytes()
    assert (home / "1.html").stat().st_size < 1_500_000
    assert "2031-05-06" in page(home, "--now", "2031-05-06T07:08")


def test_the_page_is_a_rendering_of_the_json_alone(home):
    """Guards a number that is reckoned in a template: what --json writes gives the same page."""
    written = json.loads(here(home, "report", "--json").stdout)
    assert html_of(written) == page(home)


def test_it_says_what_the_night_says(home):
    """Guards a page that tells another story than `runlog night`: same sentences, same sums."""
    night = json.loads(here(home, "night", "--json").stdout)
    report = json.loads(here(home, "report", "--json").stdout)
    (sheet,) = report["rows"]
    blocks = {block["block"]: block for block in sheet["blocks"]}
    for event, row in zip(night["events"], blocks["happened"]["rows"], strict=True):
        assert row["text"].startswith(event["text"])
        assert row["cost_s"] == event["cost_s"]
    for row in blocks["parts"]["rows"]:
        assert row["verdict"] == night["verdicts"][row["part"]]["verdict"]
    lost = {row["cause"]: row["lost_s"] for row in blocks["losses"]["rows"]}
    assert lost == {cause.replace("-", " "): s for cause, s in night["lost"].items()}
    figures = {figure["name"]: figure["seconds"] for figure in sheet["figures"]}
    assert figures["kept"] == sum(row["kept_s"] for row in night["added"])
    assert figures["lost"] == sum(row["rejected_s"] for row in night["added"])
    assert [row["goal_s"] for row in blocks["to-go"]["rows"]] == [20 * 3600]


def test_a_chart_has_its_words_and_its_numbers(home):
    """Guards who cannot see it: each chart has a title, a description, and its data as a table."""
    text = page(home)
    svgs = re.findall(r'<svg class="(?:wide|narrow)".*?</svg>', text, re.S)
    assert len(svgs) == 2
    for svg in svgs:
        names = re.search(r'aria-labelledby="(\S+) (\S+)"', svg)
        assert f'<title id="{names[1]}">' in svg and f'<desc id="{names[2]}">' in svg
        assert "FWHM, px from" in svg
    details = text[text.index("<details>") : text.index("</details>")]
    assert details.count("<tr") == 15
    for needed in ("<caption>", 'scope="col"', 'scope="row"', 'lang="en"'):
        assert needed in text


def test_frames_are_told_apart_by_shape(home):
    """Guards colour as the only difference: kept are circles, doubtful triangles, lost crosses."""
    text = page(home)
    wide = re.search(r'<svg class="wide".*?</svg>', text, re.S)[0]
    drawn = {grade: re.findall(rf'<path class="{grade}" d="([^"]*)"', wide)
             for grade in ("keep", "doubtful", "reject")}  # fmt: skip
    assert all("a" in path and "l" not in path for path in drawn["keep"]) and drawn["keep"]
    others = drawn["doubtful"] + drawn["reject"]
    assert others and not any("a" in path for path in others)


def test_pictures_gone_are_said_to_be(home, tmp_path):
    """Guards a page that fails, or opens files, where previews are not stored and files gone."""
    shutil.copy(home / "night.sqlite", tmp_path / "night.sqlite")
    with sqlite3.connect(tmp_path / "night.sqlite") as connection:
        connection.execute("DELETE FROM preview")
    connection.close()
    text = page(tmp_path)
    assert "no picture of it is stored" in text and "data:image" not in text
    assert "data:image" in page(home)


# --- where it is written ----------------------------------------------------------------------


def test_it_has_a_name_of_its_own_and_is_written_anew(home, tmp_path):
    """Guards the plain command: a file named after the night, a second time over the first."""
    folder = tmp_path / "out"
    folder.mkdir()
    done = here(home, "report", "-o", folder)
    (made,) = folder.iterdir()
    assert re.fullmatch(r"night-2026-\d\d-\d\d\.html", made.name)
    assert os.fspath(made) in done.stderr and done.stdout == ""
    assert here(home, "report", "-o", folder).returncode == 0
    assert list(folder.iterdir()) == [made]


def test_what_is_not_ours_is_left_alone(home, tmp_path):
    """Guards a person's file: only --force writes over it, and nothing over a FITS file."""
    letter, frame, empty = tmp_path / "letter.html", tmp_path / "m33.fits", tmp_path / "new.html"
    letter.write_text("<p>mine</p>")
    write_frame(frame, noise())
    empty.touch()
    before = frame.read_bytes()
    done = here(home, "report", "-o", letter)
    assert (done.returncode, letter.read_text()) == (2, "<p>mine</p>")
    assert "--force" in done.stderr
    for words in ((), ("--force",)):
        done = here(home, "report", "-o", frame, *words)
        assert (done.returncode, frame.read_bytes()) == (2, before)
        assert "FITS" in done.stderr
    assert here(home, "report", "-o", letter, "--force").returncode == 0
    assert "<!DOCTYPE html>" in letter.read_text()
    assert here(home, "report", "-o", empty).returncode == 0


def test_a_link_to_a_frame_is_no_way_round(home, tmp_path):
    """Guards a frame behind a link; a link to a page stays a link."""
    frame, link = write_frame(tmp_path / "m33.fits", noise()), tmp_path / "page.html"
    link.symlink_to(frame)
    assert here(home, "report", "-o", link, "--force").returncode == 2
    link.unlink()
    (tmp_path / "there.html").touch()
    link.symlink_to(tmp_path / "there.html")
    assert here(home, "report", "-o", link).returncode == 0
    assert link.is_symlink() and (tmp_path / "there.html").stat().st_size


@pytest.mark.parametrize("place", ["nowhere/page.html", "/dev/null/page.html", "/proc/page.html"])
def test_a_place_that_cannot_be_written(home, place):
    """Guards a traceback: words, an exit code, and nothing half-written."""
    done = here(home, "report", "-o", place)
    assert done.returncode == 2 and "Traceback" not in done.stderr
    assert done.stderr.startswith("runlog: ")


def test_a_full_disk_leaves_what_was_there(home, tmp_path):
    """Guards a page cut short: a limit on file sizes stops the write (setrlimit(2))."""
    old = tmp_path / "page.html"
    assert here(home, "report", "-o", old).returncode == 0
    before = old.read_bytes()
    limit = (len(before) // 2,) * 2
    done = runlog(
        home, "report", "-o", old,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, limit),
    )  # fmt: skip
    assert done.returncode == 2, done.stderr
    assert "could not be written" in done.stderr and "Traceback" not in done.stderr
    assert (old.read_bytes(), list(tmp_path.iterdir())) == (before, [old])


# --- nights that are not there, or hold nothing -------------------------------------------------


def test_no_such_night_is_said_as_by_night(home):
    """Guards other words and another code than `runlog night` has for the same."""
    one, other = here(home, "report", "2020-01-01"), here(home, "night", "2020-01-01")
    assert (one.returncode, one.stderr) == (other.returncode, other.stderr)
    assert one.returncode == 2 and not list(home.glob("*2020*"))


def test_nothing_kept_and_nothing_graded(hostile):
    """Guards a night without one kept frame: the page says so, and is a page."""
    report = json.loads(here(hostile, "report", "--json").stdout)
    assert all(row["figures"][0]["seconds"] == 0 for row in report["rows"])
    assert "None of" in report["rows"][0]["headline"]


def test_a_moment_that_is_none(home):
    """Guards --now with words."""
    done = here(home, "report", "--now", "soon")
    assert done.returncode == 2 and "--now" in done.stderr
