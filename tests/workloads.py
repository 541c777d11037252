"""What test workers do: functions that processes can import. Nothing heavy is imported here."""

from __future__ import annotations

import os
import time
from concurrent.futures import BrokenExecutor, Executor, Future
from pathlib import Path


def square(number: int) -> int:
    return number * number


def square_or_die(number: int) -> int:
    """Numbers divisible by 5 end the process without a word, as if it were out of memory."""
    if number % 5 == 0:
        os._exit(1)
    return square(number)


def square_or_raise(number: int) -> int:
    if number % 3 == 0:
        raise ValueError(f"{number} is divisible by 3")
    return square(number)


def die_the_first_time(mark: Path) -> str:
    """An accident that does not happen again."""
    if not mark.exists():
        mark.touch()
        os._exit(1)
    return mark.name


def note_and_sleep(mark: Path) -> None:
    mark.write_text(str(os.getpid()))
    time.sleep(120)


def threads(_: int) -> list[int]:
    """Threads that OpenCV and each numerical library may use here, SciPy's loaded late."""
    import cv2
    import scipy.linalg  # noqa: F401
    from threadpoolctl import threadpool_info

    return [cv2.getNumThreads(), *(library["num_threads"] for library in threadpool_info())]


def never_up() -> None:
    os._exit(1)


class InTurn(Executor):
    """The least that an executor can be: works at once, in the caller's thread."""

    def submit(self, function, /, *arguments, **named):
        future = Future()
        try:
            future.set_result(function(*arguments, **named))
        except Exception as exc:
            future.set_exception(exc)
        return future


class Dying(InTurn):
    """Loses what divides by 5, as a pool of processes would; `heals`: takes work after that."""

    def __init__(self, *, heals: bool) -> None:
        self.heals = heals
        self.broken = False

    def submit(self, function, /, item):
        if self.broken and not self.heals:
            raise BrokenExecutor("broken for good")
        if item % 5:
            return super().submit(function, item)
        self.broken = True
        future = Future()
        future.set_exception(BrokenExecutor("a worker died"))
        return future
