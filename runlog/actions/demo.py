"""Draw the sample nights with the maker that is shipped beside the package."""

import sys
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from types import ModuleType

from runlog.errors import UsageError
from runlog.ingest.pool import default_workers, pool
from runlog.shipped import PACKAGE, shipped


def load_maker() -> ModuleType:
    """Import the maker from the wheel or from the checkout."""
    folder = shipped("samples/maker")
    if folder.is_relative_to(PACKAGE):
        return import_module("runlog.samples.maker")
    root = str(PACKAGE.parent)
    if root not in sys.path:
        sys.path.append(root)
    return import_module("samples.maker")


def make_samples(
    folder: Path, nights: int, seed: int, progress: Callable[[int, int], None] | None = None
) -> None:
    """Draw sample nights into a folder that is new or empty."""
    if folder.exists() and any(folder.iterdir()):
        raise UsageError(
            "This folder already holds files; runlog never writes over them",
            str(folder),
            "Name another folder: runlog demo FOLDER",
        )
    maker = load_maker()
    with pool(default_workers()) as executor:
        maker.make_nights(
            folder, seed=seed, nights=nights, scale="demo", progress=progress, executor=executor
        )
