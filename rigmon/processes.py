"""The same work in this process or in several. What comes out does not depend on which."""

import multiprocessing
import os
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from typing import Any, Final

Task = tuple[Any, ...]  #: the arguments of one call
Answer = tuple[int, str | None, str]  #: number of the task; what the work returned, or None and why not

DIED: Final = "the process that worked on it died (out of memory?); the others went on"


def processors() -> int:
    """How many processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def spread(unit: Callable[..., str], tasks: Sequence[Task], jobs: int, died: str = DIED) -> Iterator[Answer]:
    """Call `unit`, a function of a module, with each task's arguments; answers come as they are ready.

    `jobs` processes, but no more than there are tasks; 1: this one. A task that kills its process is answered
    with why, `died`.
    """
    jobs = min(jobs, len(tasks))
    if jobs <= 1:
        return ((n, unit(*task), "") for n, task in enumerate(tasks))
    return _in_processes(unit, tasks, jobs, died)


def _in_processes(unit: Callable[..., str], tasks: Sequence[Task], jobs: int, died: str) -> Iterator[Answer]:
    open_tasks = set(range(len(tasks)))
    try:
        with _Pool(jobs) as pool:
            with _unheard():
                futures = {pool.submit(unit, *task): n for n, task in enumerate(tasks)}
            for future in as_completed(futures):
                yield futures[future], future.result(), ""
                open_tasks.discard(futures[future])
        return
    except BrokenProcessPool:
        pass
    # one of them killed its process, and took the pool with it: one by one it shows which
    left = sorted(open_tasks)
    while left:
        try:
            with _Pool(1) as pool:
                while left:
                    with _unheard():
                        future = pool.submit(unit, *tasks[left[0]])
                    yield left[0], future.result(), ""
                    left.pop(0)
        except BrokenProcessPool:
            yield left.pop(0), None, died


class _Pool(ProcessPoolExecutor):
    """Fresh processes, which inherit no locks, threads or open logs; what is not begun is dropped when
    somebody stops waiting."""

    def __init__(self, jobs: int) -> None:
        super().__init__(jobs, multiprocessing.get_context("spawn"))

    def __exit__(self, *error: Any) -> None:
        self.shutdown(wait=True, cancel_futures=True)


@contextmanager
def _unheard() -> Iterator[None]:
    """Processes that start in here never hear Ctrl-C: it is for the one that waits, which then ends them."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
