"""Work on an existing Dask cluster, through the same interface as the threads of one machine."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future
from contextlib import ExitStack, contextmanager
from typing import Any, TypeVar

from pipeline.errors import EvenflightError, UsageError
from pipeline.parallel import default_workers, local_executor, single_threaded

R = TypeVar("R")

# What stands before the address, and the transport that Dask then uses.
_TRANSPORTS = {"dask://": "tcp://", "dask+tls://": "tls://"}
_PATIENCE_S = 10.0
# A photo's work is begun anew so often where the worker that had it is gone.
_RETRIES = 3


class ClusterExecutor(Executor):
    """Calls run on the workers of a cluster; `near` is a pool on this machine.

    A call whose worker is lost runs again on another.
    """

    def __init__(self, client: Any, near: Executor) -> None:
        # Not pure: the same call on the same path may meet another file.
        self._far: Executor = client.get_executor(pure=False, retries=_RETRIES)
        self.near = near

    def submit(self, fn: Callable[..., R], /, *args: Any, **kwargs: Any) -> Future[R]:
        """Schedule the call on the cluster."""
        return self._far.submit(fn, *args, **kwargs)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Take no more calls; the cluster itself goes on."""
        self._far.shutdown(wait=wait and not cancel_futures)


@contextmanager
def workplace(address: str | None, workers: int | None) -> Iterator[tuple[Executor, int]]:
    """Yield the executor at `address` and how many calls it works on at once; threads where it is None.

    `address` is dask://host:port, or dask+tls://host:port with the certificates that Dask's own
    configuration names. Raises UsageError for another form or where Dask is not installed,
    EvenflightError where no cluster answers or one loses its workers again and again.
    """
    if address is None:
        with local_executor(workers or default_workers()) as threads:
            yield threads, workers or default_workers()
        return
    start = next((start for start in _TRANSPORTS if address.startswith(start)), None)
    if start is None:
        raise UsageError(f"the executor '{address}' is not of the form dask://host:port")
    try:
        import distributed
    except ImportError as error:
        raise UsageError("this installation has no Dask: install evenflight[cluster]") from error
    connect: Any = distributed.Client
    with ExitStack() as held:
        try:
            there = _TRANSPORTS[start] + address.removeprefix(start)
            client = held.enter_context(connect(there, timeout=_PATIENCE_S))
        except (OSError, ValueError) as error:
            raise EvenflightError(f"no Dask scheduler answers at {address}: is it running?") from error
        client.register_plugin(_plugin())
        threads_there = sum(client.nthreads().values())
        if threads_there == 0:
            raise EvenflightError(f"the Dask cluster at {address} has no workers: start some")
        near = held.enter_context(local_executor(default_workers()))
        try:
            with ClusterExecutor(client, near) as executor:
                yield executor, workers or threads_there
        except distributed.scheduler.KilledWorker as error:
            raise EvenflightError(
                f"workers of the Dask cluster at {address} ended again and again: have they memory enough?"
            ) from error


def _plugin() -> Any:
    """Return what makes every worker, also one that joins later, work as the threads here do."""
    from distributed import WorkerPlugin

    class SingleThreaded(WorkerPlugin):
        name = "evenflight-single-threaded"

        def setup(self, worker: Any) -> None:
            single_threaded()

    return SingleThreaded()


def near(executor: Executor) -> Executor:
    """Return the pool on this machine, for work that is smaller than what it would have to be sent."""
    return executor.near if isinstance(executor, ClusterExecutor) else executor
