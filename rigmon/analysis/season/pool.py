"""The season's work in this process, in several, or on a cluster. What comes out does not depend on which."""

from collections.abc import Callable, Iterator, Sequence
from typing import Any, Final

from rigmon import processes
from rigmon.analysis.extras import load
from rigmon.analysis.season.version import analysis_version
from rigmon.errors import UsageError
from rigmon.processes import Answer, Task, processors

#: a process takes about as long to start as this many logs take to be read
WORTH_A_PROCESS: Final = 4
_PATIENCE_S: Final = 10
_DIED: Final = "the process that read it died (out of memory?); the other logs went on"


def spread(
    unit: Callable[..., str], tasks: Sequence[Task], jobs: int | None, scheduler: str | None
) -> Iterator[Answer]:
    """Call `unit`, a function of a module, with each task's arguments; answers come as they are ready.

    `jobs` processes; 1: this one; None: as many as there are processors and it pays. `scheduler`: the address
    of a dask.distributed scheduler to use instead. A task that kills its process is answered with why.
    Raises UsageError for a scheduler that cannot be used.
    """
    if scheduler is not None:
        return _on_cluster(unit, tasks, scheduler) if tasks else iter(())
    if jobs is None:
        jobs = min(processors(), max(1, len(tasks) // WORTH_A_PROCESS))
    return processes.spread(unit, tasks, jobs, _DIED)


def _on_cluster(unit: Callable[..., str], tasks: Sequence[Task], address: str) -> Iterator[Answer]:
    distributed = load("distributed", "cluster", "--scheduler")
    named = f"--scheduler = {address!r}"
    try:
        client = distributed.Client(address, timeout=f"{_PATIENCE_S}s", set_as_default=False)
    except (OSError, ValueError, TypeError) as error:
        raise UsageError(
            f"{named}: no scheduler can be reached there ({_first_line(error)}); give its address, such as "
            "tcp://127.0.0.1:8786"
        ) from error
    with client:
        _check_workers(client, named)
        futures = {client.submit(unit, *task, pure=False): n for n, task in enumerate(tasks)}
        for future in distributed.as_completed(list(futures), loop=client.loop):
            if future.status not in ("finished", "error"):
                raise UsageError(f"{named}: the scheduler went away; start again, what was done is kept")
            trouble = future.exception()
            if trouble is None:
                yield futures[future], future.result(), ""
            else:  # the work itself raises nothing
                yield futures[future], None, f"{_DIED}: {_first_line(trouble)}"
            future.release()


def _check_workers(client: Any, named: str) -> None:
    """Another version's numbers could differ."""
    try:
        client.wait_for_workers(1, timeout=_PATIENCE_S)
    except TimeoutError:
        raise UsageError(f"{named}: the scheduler has no workers; start one first") from None
    ours = analysis_version()
    try:
        theirs = client.run(analysis_version)
    except Exception as error:
        raise UsageError(
            f"{named}: its workers cannot run rigmon ({_first_line(error)}); install {ours} there too"
        ) from error
    for worker, version in theirs.items():
        if version != ours:
            raise UsageError(
                f"{named}: worker {worker} has rigmon {version}, this is {ours}; install the same there, or "
                "the numbers could differ"
            )


def _first_line(error: BaseException) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0]
