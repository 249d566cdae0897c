"""Find the folders that live beside the package in a checkout and inside it in a wheel."""

from pathlib import Path

from runlog.errors import StoreError

PACKAGE = Path(__file__).resolve().parent


def shipped(name: str) -> Path:
    """Return the folder `name` ("migrations", "samples/maker") of this installation."""
    for base in (PACKAGE, PACKAGE.parent):
        if (base / name).is_dir():
            return base / name
    raise StoreError(
        f"This installation of runlog lacks its folder '{name}'",
        str(PACKAGE),
        "Install runlog again: python -m pip install --force-reinstall runlog",
    )
