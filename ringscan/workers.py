"""One function over many items by any executor: few at a time, and a death takes one item only.

A process that dies (out of memory, a crash in a decoder) breaks a process pool and with it all
items that were in it. They are tried again one at a time in a new pool: whichever breaks that one
too is to blame, and the others are done after all.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    Executor,
    Future,
    ProcessPoolExecutor,
    wait,
)
from contextlib import contextmanager
from itertools import islice
from multiprocessing.connection import Connection
from types import FrameType, TracebackType
from typing import Any, TypeVar

from ringscan.errors import RingscanError, why

Item = TypeVar("Item")
Result = TypeVar("Result")

WAITING = 1
"""Items that an executor is given beyond one for each worker, so that none has to wait for us."""

MOST_PROCESSES = 61 if os.name == "nt" else 10**6
"""More than these Windows cannot wait for at once (documentation of ProcessPoolExecutor)."""


class WorkerDied(Exception):  # noqa: N818, it is a finding that is handed over, not raised
    """The process that worked on an item alone ended without an answer."""


def usable_cores() -> int:
    """Cores that this process may run on."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def each_result(
    work: Callable[[Item], Result],
    items: Iterable[Item],
    *,
    executor: Executor | None = None,
    jobs: int | None = None,
    prepare: Callable[[], None] | None = None,
) -> Iterator[tuple[Item, Result | BaseException]]:
    """Give every item with what `work` returned or raised for it, as they are done.

    Parameters
    ----------
    work : for processes, a function that they can import, whose items and results can be pickled
    items : taken one by one, when there is room for them
    executor : any; None makes a pool of processes, and a new one whenever a worker died. A given
        one is neither prepared, renewed nor shut down
    jobs : workers of our own pool, or how many a given executor has; None: the usable cores
    prepare : called once in each process of our own pool

    Raises
    ------
    RingscanError
        If the executor takes no more work: it is broken and not ours to renew, or processes cannot
        be started at all.
    """
    running: dict[Future[Result], Item] = {}
    items = iter(items)
    with _Crew(executor, jobs or usable_cores(), prepare) as crew:
        try:
            while True:
                for item in islice(items, crew.jobs + WAITING - len(running)):
                    running[_start(crew, work, item)] = item
                if not running:
                    return
                wait(running, return_when=FIRST_COMPLETED)
                finished = _take_finished(running)
                if any(_is_lost(future) for future, _ in finished):
                    crew.renew()
                    finished.extend(_take_finished(running))
                for future, item in finished:
                    if not _is_lost(future):
                        outcome = _outcome(future)
                        yield item, outcome
                for future, item in finished:
                    if _is_lost(future):
                        yield item, _alone(crew, work, item)
        finally:
            for future in running:
                future.cancel()


def _start(crew: _Crew, work: Callable[[Item], Result], item: Item) -> Future[Result]:
    try:
        return crew.submit(work, item)
    except BrokenExecutor as exc:
        # it broke in another item's hands, which its own future will tell
        refused: Future[Result] = Future()
        refused.set_exception(exc)
        return refused


def _alone(crew: _Crew, work: Callable[[Item], Result], item: Item) -> Result | BaseException:
    try:
        future = crew.submit(work, item)
    except BrokenExecutor as exc:
        raise RingscanError(
            f"the executor is broken and takes no more work; {item} may be what broke it"
        ) from exc
    wait([future])
    if not _is_lost(future):
        return _outcome(future)
    crew.renew()
    return WorkerDied("its worker ended without an answer, twice")


def _take_finished(running: dict[Future[Result], Item]) -> list[tuple[Future[Result], Item]]:
    return [(future, running.pop(future)) for future in list(running) if future.done()]


def _is_lost(future: Future[Any]) -> bool:
    """Whether its item was lost with the executor, perhaps by no fault of its own."""
    return future.cancelled() or isinstance(future.exception(), BrokenExecutor)


def _outcome(future: Future[Result]) -> Result | BaseException:
    exception = future.exception()
    return future.result() if exception is None else exception


class _Crew:
    """The executor in use; our own is made when first needed, and anew when it broke."""

    def __init__(
        self, given: Executor | None, jobs: int, prepare: Callable[[], None] | None
    ) -> None:
        self.jobs = jobs
        self._given = given
        self._prepare = prepare
        self._own: _Pool | None = None

    def __enter__(self) -> _Crew:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, tb: TracebackType | None
    ) -> None:
        if self._own is not None:
            self._own.end(at_once=kind is not None)

    def submit(self, work: Callable[[Item], Result], item: Item) -> Future[Result]:
        """Hand one item over. Raises BrokenExecutor, or RingscanError where it takes no more."""
        if self._given is not None:
            try:
                return self._given.submit(work, item)
            except BrokenExecutor:
                raise
            except (RuntimeError, OSError) as exc:
                raise RingscanError(f"the executor takes no more work: {exc}") from exc
        try:
            if self._own is None:
                self._own = _Pool(self.jobs, self._prepare)
            return self._own.submit(work, item)
        except OSError as exc:
            raise RingscanError(
                f"worker processes cannot be started: {why(exc)}; give fewer jobs"
            ) from exc

    def renew(self) -> None:
        """After a break: the next item gets a new pool. Raises RingscanError."""
        if self._own is None:
            return
        came_up = self._own.came_up()
        self._own.end(at_once=True)
        self._own = None
        if not came_up:
            # else the items would be blamed one by one for what is not their fault
            raise RingscanError(
                "worker processes cannot be started; a script of your own has to call this under "
                "if __name__ == '__main__':"
            )


class _Pool:
    """A pool of processes that end with their parent, however it ends."""

    def __init__(self, jobs: int, prepare: Callable[[], None] | None) -> None:
        # no fork: a lock that some thread holds at that moment would stay locked in the copy
        context = multiprocessing.get_context("spawn")
        self._leash = context.Pipe(duplex=False)
        self._executor = ProcessPoolExecutor(
            min(jobs, MOST_PROCESSES),
            context,
            initializer=_begin,
            initargs=(self._leash[0], prepare),
        )
        self._first: Future[int] | None = None

    def submit(self, work: Callable[[Item], Result], item: Item) -> Future[Result]:
        """Hand one item over; a process is started for it if none is idle. Raises OSError."""
        with _interrupts_held_back():
            if self._first is None:
                self._first = self._executor.submit(os.getpid)
            return self._executor.submit(work, item)

    def came_up(self) -> bool:
        """Whether at least one process has ever worked."""
        first = self._first
        return first is not None and first.done() and first.exception() is None

    def end(self, *, at_once: bool) -> None:
        """End the processes: after what they are doing, or at once."""
        if not at_once:
            self._executor.shutdown(wait=True)
        with _interrupts_held_back():  # somebody impatient would leave half of it to Python's exit
            self._let_go()
            self._executor.shutdown(wait=True, cancel_futures=True)

    def _let_go(self) -> None:
        for end in self._leash:
            end.close()


@contextmanager
def _interrupts_held_back() -> Iterator[None]:
    """Let an interrupt come at the end of the block only, to what is started in it not at all.

    The terminal interrupts all processes, also those that are still importing and cannot say yet
    that they do not want it: what is blocked they inherit. That alone would not hold it back here,
    where any other thread would take it.
    """
    came: list[tuple[int, FrameType | None]] = []
    usual = signal.getsignal(signal.SIGINT)
    ours = callable(usual) and threading.current_thread() is threading.main_thread()
    before = None
    if ours:
        signal.signal(signal.SIGINT, lambda number, frame: came.append((number, frame)))
    if hasattr(signal, "pthread_sigmask"):
        before = signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT])
    try:
        yield
    finally:
        if before is not None:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)
        if ours:
            signal.signal(signal.SIGINT, usual)
            if came and callable(usual):
                usual(*came[0])


def _begin(leash: Connection, prepare: Callable[[], None] | None) -> None:
    # a terminal interrupts all its processes; what becomes of that is the parent's decision
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with, args=(leash,), daemon=True).start()
    if prepare is not None:
        prepare()


def _end_with(leash: Connection) -> None:
    """End this process when the pipe's other end is closed, be it by the parent's death."""
    try:
        leash.recv_bytes()
    except (EOFError, OSError):
        os._exit(1)
