"""Reading spread over the workers of a Dask cluster, behind the face of a local pool.

Whoever reaches the scheduler's port can run code on every worker: TLS, or a network of one's own.
"""

import time
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from concurrent.futures import CancelledError, Executor, Future
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from runlog.errors import RunlogError
from runlog.ingest.alone import outcome_of
from runlog.ingest.remote import Folders, Introduction, Place, introduce, read_there
from runlog.ingest.task import MEASURE_VERSION, Outcome, Task

if TYPE_CHECKING:
    from distributed import Client

WAIT_S = 15.0  # for the scheduler, and for its first worker
LOST_S = 2.0  # until a scheduler has heard that a worker is gone
LOOPBACK = ("127.", "localhost", "[::1]")
Tell = Callable[[str], None]
Find = Callable[[bytes], Place]


class Cluster(Executor):
    """Hands files to workers that have their roots; a file that a worker was lost with, twice."""

    def __init__(self, client: "Client", workers: Mapping[str, Introduction], find: Find) -> None:
        self._client, self._find = client, find
        self._by_root = {
            root: [address for address, who in workers.items() if root in who.roots]
            for root in frozenset().union(*(who.roots for who in workers.values()))
        }
        self._sharing = _sharing(workers)
        self.size = len(workers)

    def submit(self, _read: Any, task: Task) -> "Future[Outcome]":  # type: ignore[override]
        """Hand out a file; what comes back is an outcome, whatever becomes of its worker."""
        own: Future[Outcome] = Future()
        place = self._find(task.path)
        workers = self._by_root.get(place.root)
        if not workers:
            own.set_result(_failed(task, _nobody_has(place.root)))
            return own
        self._hand_out(own, task, place, workers, again=True)
        return own

    def _hand_out(
        self,
        own: "Future[Outcome]",
        task: Task,
        place: Place,
        workers: Sequence[str],
        *,
        again: bool,
    ) -> None:
        def came_back(theirs: "Future[Outcome]") -> None:
            lost = _lost_by(theirs)
            if lost is None:
                _answer(own, outcome_of(theirs, task))
            elif again and not own.cancelled():
                self._hand_out(own, task, place, workers, again=False)
            else:
                _answer(own, _failed(task, f"its worker was lost twice ({lost})"))

        try:
            executor = self._client.get_executor(workers=workers, pure=False)
            theirs = executor.submit(read_there, task, place, self._sharing)
        except Exception as error:  # noqa: BLE001 - of any kind, when the scheduler is gone
            _answer(own, _failed(task, f"the cluster was lost ({type(error).__name__})"))
            return
        theirs.add_done_callback(came_back)


def _answer(own: "Future[Outcome]", outcome: Outcome) -> None:
    """Give an answer, unless nobody waits for it any more."""
    if own.set_running_or_notify_cancel():
        own.set_result(outcome)


def _lost_by(future: "Future[Outcome]") -> str | None:
    """Name how a worker was lost; None where it sent something back."""
    from distributed import KilledWorker
    from distributed.comm.core import CommClosedError

    try:
        error = future.exception()
    except CancelledError as cancelled:
        return type(cancelled).__name__
    return type(error).__name__ if isinstance(error, KilledWorker | CommClosedError) else None


def _failed(task: Task, why: str) -> Outcome:
    return Outcome(task.path, failure=why, passing=True)


def _nobody_has(root: str) -> str:
    return (
        f"no worker has the root {root}; on a machine that sees its folder: "
        f'runlog roots map "{root}" FOLDER'
    )


def _sharing(workers: Mapping[str, Introduction]) -> int:
    """Give how many workers share a machine's memory, at the most."""
    machines = [who.machine for who in workers.values()]
    return max(machines.count(machine) for machine in machines)


@contextmanager
def cluster(
    address: str, roots: Mapping[str, Folders], find: Find, tell: Tell
) -> Iterator[Cluster]:
    """Open a cluster at a scheduler's address; on leaving, work not begun is dropped.

    Raises
    ------
    RunlogError
        When it does not answer, has no workers, or some that measure otherwise.
    """
    if not address.startswith("tls://") and not any(host in address for host in LOOPBACK):
        tell(
            f"{address} is not encrypted: whoever reaches its port can run code on every worker. "
            "TLS is set up as in runlog guide cluster"
        )
    client = _client(address)
    try:
        yield Cluster(client, _introduced(client, address, roots), find)
    finally:
        client.close()


def _client(address: str) -> "Client":
    try:
        from distributed import Client
    except ImportError as error:
        raise RunlogError(
            f"What speaks to a cluster is not installed ({error})",
            address,
            'python -m pip install "runlog[cluster]"',
        ) from error
    try:
        client = Client(address, timeout=WAIT_S, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        raise RunlogError(
            f"No scheduler answers ({error or type(error).__name__})",
            address,
            "See that it runs, and at that address: runlog guide cluster",
        ) from error
    try:
        client.wait_for_workers(1, timeout=WAIT_S)
    except TimeoutError as error:
        client.close()
        raise RunlogError(
            "The cluster has no worker", address, "Start one: runlog guide cluster"
        ) from error
    return client


def _introduced(
    client: "Client", address: str, roots: Mapping[str, Folders]
) -> Mapping[str, Introduction]:
    """Ask every worker who it is; refuses those that would give other numbers."""
    try:
        workers = _asked(client, address, roots)
    except ModuleNotFoundError as error:
        raise RunlogError(
            f"A worker cannot run this runlog ({error})",
            address,
            "Install the same runlog on every machine of the cluster",
        ) from error
    if bound := {who.machine for who in workers.values() if not who.may_start_processes}:
        raise RunlogError(
            f"Workers of {_listed(bound)} may not start the process that reads",
            address,
            "Start them with DASK_DISTRIBUTED__WORKER__DAEMON=False: runlog guide cluster",
        )
    others = {who.machine for who in workers.values() if who.measure_version != MEASURE_VERSION}
    if others:
        raise RunlogError(
            f"Workers of another version would give other numbers: {_listed(others)}",
            address,
            "Install the same runlog on every machine of the cluster",
        )
    return workers


def _asked(
    client: "Client", address: str, roots: Mapping[str, Folders]
) -> Mapping[str, Introduction]:
    """Ask all workers, and those that are left once more where one was lost meanwhile."""
    try:
        found: Mapping[str, Introduction] = client.run(introduce, roots)
    except OSError:
        time.sleep(LOST_S)
    else:
        return found
    try:
        found = client.run(introduce, roots)
    except OSError as error:
        raise RunlogError(
            f"Workers are lost while they are asked who they are ({type(error).__name__})",
            address,
            "See what ends them, then scan again",
        ) from error
    return found


def _listed(names: Collection[str]) -> str:
    return ", ".join(sorted(names))
