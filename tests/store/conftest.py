"""What tests of the store may ask for."""

import pytest


@pytest.fixture(params=["sqlite", "postgresql"])
def nothing(request, tmp_path):
    """Name a database that has no tables yet, of each kind."""
    if request.param == "sqlite":
        return tmp_path / "night.sqlite"
    return request.getfixturevalue("empty_database")
