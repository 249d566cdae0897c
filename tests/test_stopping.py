"""Ctrl-C waits where it must, and the last words are true."""

import os
import signal
import subprocess
import sys

import pytest

from runlog import stopping
from tests.tools import ROOT, environment

HEARING = "import os, signal, sys\nfrom runlog import stopping\nstopping.listen()\n"
CTRL_C = "os.kill(os.getpid(), signal.SIGINT)\n"


def ends(tmp_path, program):
    """Run a few lines in a process of their own; gives exit code, output and errors."""
    line = [sys.executable, "-c", HEARING + program]
    done = subprocess.run(
        line, env=environment(tmp_path), cwd=ROOT, capture_output=True, text=True, timeout=30
    )
    return done.returncode, done.stdout, done.stderr


def test_ctrl_c_before_the_work_ends_at_once(tmp_path):
    """While modules are imported nothing is to be left in order: words, and exit code 130."""
    code, out, err = ends(tmp_path, CTRL_C + "print('went on')\n")
    assert (code, out) == (130, "")
    assert err == f"runlog: {stopping.NOTHING}\n"


STRUCK_EARLY = """import os, runpy, signal, sys
class Strikes:
    def find_spec(self, name, path=None, target=None):
        if name == "runlog.stopping":
            os.kill(os.getpid(), signal.SIGINT)
sys.meta_path.insert(0, Strikes())
sys.argv = ["runlog", "totals"]
runpy.run_module("runlog", run_name="__main__")
"""


def test_ctrl_c_before_anything_can_answer_it(tmp_path):
    """Struck at the very first import of all, the command says what any says; no traceback."""
    line = [sys.executable, "-c", STRUCK_EARLY]
    done = subprocess.run(
        line, env=environment(tmp_path), cwd=ROOT, capture_output=True, text=True, timeout=30
    )
    assert (done.returncode, done.stdout) == (130, "")
    assert done.stderr == f"runlog: {stopping.NOTHING}\n"


def test_ctrl_c_waits_for_a_step_and_its_note(tmp_path):
    """What is done and noted in one step is named, though Ctrl-C struck in the middle of it."""
    code, out, err = ends(
        tmp_path,
        "stopping.at_work()\ntry:\n    with stopping.undisturbed():\n        "
        + CTRL_C
        + "        stopping.stored('the goal is stored')\n"
        "except KeyboardInterrupt:\n    print(stopping.last_words())\n",
    )
    assert (code, err) == (0, "")
    assert out.startswith("stopped, with this already done: the goal is stored; ")


def test_ctrl_c_in_what_cannot_pass_it_on(tmp_path):
    """An interrupt that strikes while an object is cleared away is not lost: the command ends."""
    dying = "class Dying:\n    def __del__(self):\n        " + CTRL_C + "        sum(range(1000))\n"
    code, out, err = ends(tmp_path, dying + "stopping.at_work()\nDying()\nprint('went on')\n")
    assert (code, out) == (130, "")
    assert err == f"runlog: {stopping.NOTHING}\n"


def test_once_done_ctrl_c_changes_nothing(tmp_path):
    """Struck as Python clears up, a command that has done its work ends as it would have."""
    assert ends(tmp_path, "stopping.over()\n" + CTRL_C + "print('done')\n") == (0, "done\n", "")


def test_half_way(tmp_path):
    """What was stored without being asked for by name is whole, and so it is said."""
    _, out, _ = ends(tmp_path, "stopping.stored()\nprint(stopping.last_words())\n")
    assert out.strip() == stopping.HALF_WAY


@pytest.mark.skipif(os.name != "posix", reason="signals of another kind")
def test_a_program_that_only_imports_us_keeps_its_own_ctrl_c():
    """Nothing listens until a command of ours begins."""
    before = signal.getsignal(signal.SIGINT)
    with stopping.by_default():
        assert signal.getsignal(signal.SIGINT) is before
