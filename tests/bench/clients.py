"""Eight machines scan into one server, two are killed, the server restarts: who counts what?

`python -m tests.bench.clients --seeds 10`. For each seed 4,000 exposures of eight cameras are drawn
as real FITS files, raw and calibrated, and their hours added up from the headers. Eight clients,
each with an eighth of the others' folders besides its own, scan them into an empty PostgreSQL; two
are ended by kill -9 and the server restarted at once, at random moments. What ended is started
again. Totals must equal the sum, the database must say what one client's scan into a file says
(`--alone N` of the seeds), and `check` find nothing wrong. One frame in 16 is 192 x 128 with twenty
stars, the least that is measured; the others are 32 x 24 and empty: it is the database that is
tried.
"""

import argparse
import random
import sys
import tempfile
import time
from pathlib import Path

from tests.clients import (
    Client,
    Strike,
    draw_shots,
    kill_one,
    make_clients,
    overlapping,
    run_until_done,
    write_shots,
)
from tests.clients_agree import alone_says, stored_share, what_is_wrong
from tests.interruptions.on_server import restart, struck_server
from tests.servers import Server

STARS_IN = 16  # one of so many frames
HEAD = "| seed | files | kills | restarts | started again | clock | wrong |\n" + "|---" * 7 + "|"


def one_seed(server: Server, seed: int, asked: argparse.Namespace, *, alone: bool) -> bool:
    """Run one seed and print its row; True where all held."""
    with (
        tempfile.TemporaryDirectory(prefix="clients-", dir=asked.folder) as name,
        server.database() as url,
    ):
        home = Path(name)
        shots = draw_shots(seed, asked.exposures, asked.cameras)
        folders = write_shots(home / "nights", shots, seed, STARS_IN)
        shares = overlapping(folders, asked.clients, seed)
        clients = make_clients(home, url, shares)
        took_s = _struck(server, url, clients, seed, 2 * len(shots))
        wrong = what_is_wrong(url, home, shots)
        if alone:
            wrong += alone_says(url, home, folders)
        read = sum(len(list(folder.iterdir())) for share in shares for folder in share)
    again = sum(client.starts - 1 for client in clients)
    kills = sum(client.kills for client in clients)
    print(
        f"| {seed} | {read:,} of {2 * len(shots):,} | {kills} | 1 | {again} | {took_s:.0f} s "
        f"| {'; '.join(wrong) or 'nothing'} |",
        flush=True,
    )
    for client in clients:
        for said in client.said if asked.said else ():
            print(f"    {said}", file=sys.stderr)
    return not wrong


def _struck(server: Server, url: str, clients: list[Client], seed: int, files: int) -> float:
    rng = random.Random(seed)
    moments = sorted(rng.uniform(0.05, 0.8) for _ in range(3))
    acts = [lambda: kill_one(clients, rng)] * 2
    acts.insert(rng.randrange(3), lambda: restart(server))
    strikes = [Strike(at, act) for at, act in zip(moments, acts, strict=True)]
    return run_until_done(clients, strikes, lambda: stored_share(url, files))


def main() -> int:
    """Run all seeds that are asked for; exit code 1 when something did not hold."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seeds", type=int, default=10)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--exposures", type=int, default=4000)
    parser.add_argument("--cameras", type=int, default=8)
    parser.add_argument("--clients", type=int, default=8)
    parser.add_argument("--alone", type=int, default=1, help="seeds held against a single client")
    parser.add_argument("--said", action="store_true", help="what clients ended with")
    parser.add_argument("--folder", type=Path, help="where there is room")
    asked = parser.parse_args()
    print(HEAD, flush=True)
    began, held = time.monotonic(), 0
    with struck_server() as server:
        for number in range(asked.seeds):
            held += one_seed(server, asked.first + number, asked, alone=number < asked.alone)
    print(f"{held} of {asked.seeds} held; {(time.monotonic() - began) / 60:.0f} minutes")
    return int(held < asked.seeds)


if __name__ == "__main__":
    sys.exit(main())
