"""Workers import what is installed, not what lies in the folder a person stands in."""

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def test_a_module_in_the_current_folder_is_not_imported(tmp_path):
    """A folder with a numpy.py of its own does not break, or run code in, the workers."""
    (tmp_path / "numpy.py").write_text("raise SystemExit('imported from the current folder')\n")
    script = (
        "import sys; sys.path[0:0] = [sys.argv[1]]\n"
        "from runlog.ingest.pool import pool\n"
        "with pool(1) as executor:\n"
        "    print(executor.submit(len, 'four').result())\n"
    )
    done = subprocess.run(
        [sys.executable, "-P", "-c", script, str(ROOT)],
        cwd=tmp_path, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.stdout.strip() == "4", done.stderr


def test_a_reader_keeps_its_memory_whatever_started_it(tmp_path):
    """A cluster tells its workers to give memory back at once; our readers do not inherit that.

    The variable is glibc's (mallopt(3)); Dask's documentation names it among those it sets.
    """
    script = (
        "import os\n"
        "from runlog.ingest.pool import pool\n"
        "with pool(1) as executor:\n"
        "    print(executor.submit(os.getenv, 'MALLOC_TRIM_THRESHOLD_', 'none').result())\n"
        "print(os.environ['MALLOC_TRIM_THRESHOLD_'])\n"
    )
    env = os.environ | {"MALLOC_TRIM_THRESHOLD_": "65536"}
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, env=env,
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.stdout.split() == ["none", "65536"], done.stderr
