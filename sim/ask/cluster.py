"""Candidates run on a cluster, through the interface that threads and processes have too.

dask.distributed (optional) moves the work. A task that was on a worker which dies is run again on
another one, so that nothing is lost but time.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError, Executor, Future
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TypeVar

from sim import __version__
from sim.ask.candidates import Base
from sim.errors import InputError, StillairError

if TYPE_CHECKING:
    from distributed import Client

PATIENCE_S = 10.0  # for the scheduler to answer, and for a first worker to be there
NEEDS = "--cluster needs the package 'distributed'; install it by: pip install 'stillair[cluster]'"
ACCEPTED = "accepted: the address of a dask scheduler, such as tcp://10.0.0.5:8786"

T = TypeVar("T")


def version_here() -> str:
    """Return the version of Stillair where this runs; workers are asked the same."""
    return __version__


class Cluster(Executor):
    """An executor on a cluster that sends a sweep's base there once, not with every candidate.

    The base goes as a task of its own, so that a worker which takes over from a dead one gets it
    from the scheduler again.
    """

    def __init__(self, client: Client) -> None:
        self._client = client
        self._executor = client.get_executor(pure=False)
        self._sent: dict[int, tuple[Base, Any]] = {}

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        """Run `fn` on some worker; see `concurrent.futures.Executor.submit`."""
        there = [self._there(a) if isinstance(a, Base) else a for a in args]
        return self._executor.submit(fn, *there, **kwargs)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Let go of the cluster's tasks; see `concurrent.futures.Executor.shutdown`."""
        self._executor.shutdown(wait=wait and not cancel_futures)
        self._sent.clear()

    def _there(self, base: Base) -> Any:
        if id(base) not in self._sent:
            self._sent[id(base)] = base, self._client.submit(_itself, base, pure=False)
        return self._sent[id(base)][1]


def _itself(base: Base) -> Base:
    return base


@contextmanager
def cluster(address: str) -> Iterator[Cluster]:
    """Yield an executor on the dask cluster whose scheduler is at `address`.

    Raises InputError where the package is missing, nobody answers there, or the workers do not
    have this version of Stillair; StillairError where the cluster is lost on the way.
    """
    try:
        import dask
        from distributed import Client, KilledWorker
    except ImportError:
        raise InputError(NEEDS) from None
    _greet(address)
    # A day at 1 Hz is sent once and may be large; the warning would tell of nothing to be done.
    with (
        dask.config.set({"distributed.admin.large-graph-warning-threshold": "1GB"}),
        Client(address, timeout=PATIENCE_S, set_as_default=False) as client,
    ):
        _ask_workers(client, address)
        executor = Cluster(client)
        try:
            yield executor
        except (CancelledError, KilledWorker) as problem:
            raise StillairError(
                f"the cluster at {address} was lost on the way ({_first_line(problem)}); nothing "
                "was written"
            ) from None
        finally:
            executor.shutdown(wait=False)


def _greet(address: str) -> None:
    """Raise InputError where no scheduler answers at `address`."""
    try:
        who = asyncio.run(_identity(address))
    except Exception as problem:  # what else may listen there answers in whatever way it likes
        raise InputError(
            f"--cluster {address} can't be reached ({_first_line(problem)}); {ACCEPTED}"
        ) from None
    kind = who.get("type") if isinstance(who, dict) else None
    if kind != "Scheduler":
        raise InputError(f"--cluster {address} is no scheduler but {kind!r}; {ACCEPTED}")


async def _identity(address: str) -> Any:
    from distributed.core import connect

    comm = await connect(address, timeout=PATIENCE_S)
    try:
        await comm.write({"op": "identity", "reply": True})
        return await asyncio.wait_for(comm.read(), PATIENCE_S)
    finally:
        await comm.close()


def _ask_workers(client: Client, address: str) -> None:
    """Raise InputError where there is no worker, or one without this version of Stillair."""
    try:
        client.wait_for_workers(1, timeout=PATIENCE_S)
    except TimeoutError:
        raise InputError(
            f"--cluster {address} has no workers after {PATIENCE_S:g} s; start one there by: "
            f"dask worker {address}"
        ) from None
    try:
        found = client.run(version_here, on_error="return")
    except Exception as problem:  # whatever a worker without Stillair fails by
        found = {"": problem}
    for worker, version in found.items():
        if version != __version__:
            has = f"version {version}" if isinstance(version, str) else _first_line(version)
            raise InputError(
                f"--cluster {address}: worker {worker} can't run this Stillair ({has}); accepted: "
                f"workers with stillair {__version__} installed"
            )


def _first_line(problem: BaseException) -> str:
    text = str(problem).strip()
    return text.splitlines()[0] if text else type(problem).__name__
