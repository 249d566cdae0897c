"""A real browser without a window: Chromium, which `.ci/run` installs."""

import json
import os
import re
import shutil
import subprocess
import tempfile
from html import escape, unescape
from pathlib import Path
from typing import Any

import axe_core_python

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
CHROMIUM = next(filter(None, map(shutil.which, NAMES)), None)
MISSING = "no Chromium is installed here (apt-get install chromium)"
TIMEOUT_S = 90
OPTIONS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run",
    "--hide-scrollbars", "--allow-file-access-from-files", "--virtual-time-budget=20000",
    "--disable-extensions", "--host-resolver-rules=MAP * ~NOTFOUND",
)  # fmt: skip
POLICY = re.compile(r"<meta http-equiv=\"Content-Security-Policy\"[^>]*>")


def chromium(*options: str) -> str:
    """Run Chromium with a profile of its own; gives what it writes."""
    assert CHROMIUM is not None
    with tempfile.TemporaryDirectory(prefix="browser", ignore_cleanup_errors=True) as profile:
        done = subprocess.run(
            [CHROMIUM, *OPTIONS, f"--user-data-dir={profile}", *options],
            capture_output=True,
            text=True,
            timeout=TIMEOUT_S,
            check=True,
        )
    return done.stdout


def pages_of(page: Path) -> int:
    """Print a page to PDF and count its sheets (ISO 32000: each is an object of /Type /Page)."""
    pdf = page.with_suffix(".pdf")
    chromium("--no-pdf-header-footer", f"--print-to-pdf={pdf}", page.as_uri())
    return len(re.findall(rb"/Type\s*/Page\b", pdf.read_bytes()))


def asked(page: Path, width: int, script: str, *, dark: bool = False) -> Any:
    """Run a script in a page of some width and give its answer.

    The page is shown in a frame of that width, for a window may not be as narrow as a phone. Its
    policy forbids scripts, so that it is taken out of the copy that is asked; the script, the body
    of an async function, is ours. Dark by the preference of the whole browser.
    """
    text = POLICY.sub("", page.read_text(encoding="utf-8"))
    copy = page.with_name(f"copy-{page.name}")
    runs = (
        "<script>window.addEventListener('load', async () => {"
        f"const answer = await (async () => {{{script}}})();"
        "parent.postMessage(JSON.stringify(answer), '*');});</script>"
    )
    copy.write_text(text.replace("</body>", f"{runs}</body>"), encoding="utf-8")
    outer = page.with_name(f"outer-{page.name}")
    outer.write_text(
        "<!DOCTYPE html><title>x</title><pre id=answer></pre><script>"
        "addEventListener('message', e => "
        "{document.getElementById('answer').textContent = e.data})</script>"
        f"<iframe src='{escape(copy.name)}' width={width} height=1200 style='border:0'></iframe>",
        encoding="utf-8",
    )
    look = ["--blink-settings=preferredColorScheme=0"] if dark else []
    dom = chromium(*look, "--window-size=1700,1300", "--dump-dom", outer.as_uri())
    found = re.search(r"<pre id=\"answer\">(.*?)</pre>", dom, re.S)
    assert found and found[1], "the page gave no answer"
    return json.loads(unescape(found[1]))


def axe() -> str:
    """Give the script of axe-core: `RUNLOG_AXE` names another than the one from PyPI."""
    own = Path(axe_core_python.__file__).with_name("axe.min.js")
    return Path(os.environ.get("RUNLOG_AXE", own)).read_text(encoding="utf-8")


def faults_of(page: Path, width: int, *, dark: bool = False) -> list[str]:
    """Ask axe-core what is wrong for who cannot see it well: each rule with where it is broken."""
    script = axe() + (
        ";const found = await axe.run(document);"
        "return found.violations.map(v => [v.id, v.impact, v.nodes.map(n => n.target.join(' '))]);"
    )
    return [f"{rule} ({impact}): {where}" for rule, impact, where in asked(
        page, width, script, dark=dark
    )]  # fmt: skip
