"""Machines that scan into one server at once, one killed, the server restarted: a share of it.

All of it, eight machines and 4,000 exposures, is `python -m tests.bench.clients`.
"""

import random

import pytest

from tests.clients import (
    Strike,
    draw_shots,
    kill_one,
    make_clients,
    overlapping,
    run_until_done,
    write_shots,
)

CLIENTS, EXPOSURES, CAMERAS = 3, 60, 3
STARS_IN = 20  # one of so many frames
SEED = 19


@pytest.fixture(scope="module")
def own_server():
    """A server of our own, as the others' must not be restarted."""
    pytest.importorskip("psycopg", reason="no driver for PostgreSQL is installed here")
    from tests.interruptions.on_server import struck_server

    with struck_server() as server:
        yield server


def test_what_machines_store_at_once_counts_once(tmp_path, own_server):
    """Raw frames and calibrated copies, overlapping folders, kill -9, a restart: sums of headers.

    Every value is also what one machine makes of the same files in a database of its own.
    """
    from tests.clients_agree import alone_says, stored_share, what_is_wrong
    from tests.interruptions.on_server import restart

    shots = draw_shots(SEED, EXPOSURES, CAMERAS)
    folders = write_shots(tmp_path / "nights", shots, SEED, STARS_IN)
    with own_server.database() as url:
        clients = make_clients(tmp_path, url, overlapping(folders, CLIENTS, SEED))
        rng = random.Random(SEED)
        strikes = [
            Strike(0.05, lambda: kill_one(clients, rng)),
            Strike(0.3, lambda: restart(own_server)),
        ]
        run_until_done(clients, strikes, lambda: stored_share(url, 2 * EXPOSURES))
        assert sum(client.kills for client in clients) == 1
        assert what_is_wrong(url, tmp_path, shots) == []
        assert alone_says(url, tmp_path, folders) == []
