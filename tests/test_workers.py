"""Work spread over executors: all of it is done, and a death takes only what caused it."""

import os
import signal
import subprocess
import sys
import threading
import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from itertools import islice
from pathlib import Path

import pytest
import workloads
from workloads import Dying, InTurn

from ringscan.batch import THREADS_OF_LIBRARIES, hold_threads
from ringscan.errors import RingscanError
from ringscan.workers import WAITING, WorkerDied, each_result, usable_cores


def squares(*numbers: int) -> dict[int, int]:
    return {n: n * n for n in numbers}


@pytest.mark.parametrize("jobs", [1, 3])
@pytest.mark.parametrize("order", [1, -1])
def test_any_executor_any_order_any_number_of_workers(jobs, order):
    items = list(range(1, 9))[::order]
    with ThreadPoolExecutor(jobs) as threads:
        assert dict(each_result(workloads.square, items, executor=threads, jobs=jobs)) == squares(
            *items
        )
        assert threads.submit(workloads.square, 3).result() == 9  # it is not ours to shut down
    assert dict(each_result(workloads.square, items, executor=InTurn(), jobs=jobs)) == squares(
        *items
    )


def test_what_is_raised_is_the_items_own_result():
    outcomes = dict(each_result(workloads.square_or_raise, [1, 2, 3, 4], executor=InTurn()))
    assert str(outcomes.pop(3)) == "3 is divisible by 3"
    assert outcomes == squares(1, 2, 4)


def test_a_process_that_dies_takes_its_own_item_only():
    """Our own pool: it is made anew, and all other items are done."""
    outcomes = dict(each_result(workloads.square_or_die, [1, 2, 5, 3, 4, 6, 7], jobs=2))
    assert isinstance(outcomes.pop(5), WorkerDied)
    assert outcomes == squares(1, 2, 3, 4, 6, 7)


def test_an_item_whose_process_died_by_accident_is_done_after_all(tmp_path):
    items = [tmp_path / "a"]
    assert dict(each_result(workloads.die_the_first_time, items, jobs=1)) == {items[0]: "a"}


def test_processes_that_never_come_up_are_not_the_items_fault():
    with pytest.raises(RingscanError, match="worker processes cannot be started"):
        dict(each_result(workloads.square, [1, 2], jobs=1, prepare=workloads.never_up))


def test_a_foreign_executor_that_heals_gets_the_same_treatment():
    outcomes = dict(
        each_result(workloads.square, [1, 5, 2, 10, 3], executor=Dying(heals=True), jobs=3)
    )
    assert {item for item, o in outcomes.items() if isinstance(o, WorkerDied)} == {5, 10}
    assert {i: o for i, o in outcomes.items() if isinstance(o, int)} == squares(1, 2, 3)


@pytest.mark.parametrize("kind", ["minimal", "processes"])
def test_a_foreign_executor_that_stays_broken_ends_it_after_what_was_done(kind):
    executor = Dying(heals=False) if kind == "minimal" else ProcessPoolExecutor(1)
    done = {}
    results = each_result(workloads.square_or_die, [1, 2, 5, 3], executor=executor, jobs=1)
    with executor, pytest.raises(RingscanError, match="5 may be what broke it"):
        done.update(results)
    assert done == squares(1, 2)


def test_a_foreign_executor_that_was_shut_down_is_told_in_one_line():
    executor = ThreadPoolExecutor(1)
    executor.shutdown()
    with pytest.raises(RingscanError, match="takes no more work"):
        list(each_result(workloads.square, [1, 2], executor=executor, jobs=1))


def test_items_are_taken_only_as_there_is_room_for_them():
    items = iter(range(1000))
    results = each_result(workloads.square, items, executor=InTurn(), jobs=4)
    assert len(list(islice(results, 20))) == 20
    # those that were given, those at work or waiting, and the next
    assert 20 <= next(items) <= 20 + 4 + WAITING
    results.close()


def test_numerical_libraries_keep_to_one_thread():
    ((_, counts),) = each_result(workloads.threads, [0], jobs=1, prepare=hold_threads)
    assert len(counts) >= 3  # OpenCV, numpy's and scipy's
    assert set(counts) == {1}


def test_libraries_that_are_loaded_later_are_told_to_keep_to_one_thread():
    program = (
        "import os; from ringscan.batch import THREADS_OF_LIBRARIES, hold_threads; hold_threads(); "
        "print(*(os.environ.get(name) for name in THREADS_OF_LIBRARIES))"
    )
    said = dict.fromkeys(THREADS_OF_LIBRARIES, "7")
    run = subprocess.run(
        [sys.executable, "-c", program],
        env=os.environ | said,
        capture_output=True,
        text=True,
        check=True,
        timeout=300,
    )
    assert run.stdout.split() == ["1"] * 3


def gone(pid: int) -> bool:
    """Whether a process has ended; one that its new parent has not yet reaped has."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True


def waited_for(condition) -> bool:
    deadline = time.monotonic() + 60
    while not condition():
        if time.monotonic() > deadline:
            return False
        time.sleep(0.02)
    return True


def finding_workloads() -> dict[str, str]:
    """Environment in which a script of its own can import `workloads`."""
    here = os.pathsep.join([str(Path(__file__).parent), os.environ.get("PYTHONPATH", "")])
    return os.environ | {"PYTHONPATH": here}


PARENT = """
import sys
from pathlib import Path
import workloads
from ringscan.workers import each_result
if __name__ == "__main__":
    list(each_result(workloads.note_and_sleep, [Path(sys.argv[1])], jobs=1))
"""


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs to look at processes")
def test_workers_end_when_their_parent_is_killed(tmp_path):
    mark, script = tmp_path / "pid", tmp_path / "parent.py"
    script.write_text(PARENT)
    with subprocess.Popen(
        [sys.executable, str(script), str(mark)],
        env=finding_workloads(),
        stderr=subprocess.DEVNULL,
    ) as parent:
        assert waited_for(lambda: mark.exists() and mark.read_text())
        worker = int(mark.read_text())
        assert not gone(worker)
        parent.kill()
    assert waited_for(lambda: gone(worker))


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs to look at processes")
def test_workers_end_at_once_when_the_caller_is_interrupted(tmp_path):
    """The consumer's exception reaches the generator as it would on Ctrl-C."""
    mark = tmp_path / "pid"

    def items():
        yield mark
        assert waited_for(lambda: mark.exists() and mark.read_text())
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        list(each_result(workloads.note_and_sleep, items(), jobs=1))
    assert gone(int(mark.read_text()))


INTERRUPTED_AT_BIRTH = """
import os, signal, time
from workloads import square
from ringscan.workers import each_result
if __name__ == "__main__":
    print(dict(each_result(square, [2, 3], jobs=1)))
else:  # in a worker, before anything of ours
    os.kill(os.getpid(), signal.SIGINT)
    time.sleep(0.1)
"""


@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="nothing can be held back")
def test_an_interrupt_does_not_reach_a_worker_that_is_still_starting(tmp_path):
    script = tmp_path / "script.py"
    script.write_text(INTERRUPTED_AT_BIRTH)
    run = subprocess.run(
        [sys.executable, str(script)],
        env=finding_workloads(),
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert (run.stdout, run.stderr) == ("{2: 4, 3: 9}\n", "")


@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="nothing can be held back")
def test_interrupts_come_through_once_the_workers_are_started():
    results = each_result(workloads.square, [2, 3], jobs=1)
    next(results)
    assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, [])
    results.close()


def interrupting(method):
    """A pool's method, interrupted while it runs, and the pools with which it came to its end."""
    ended = []

    def interrupted(pool: ProcessPoolExecutor, *arguments: object, **named: object) -> object:
        os.kill(os.getpid(), signal.SIGINT)
        time.sleep(0.01)
        result = method(pool, *arguments, **named)
        ended.append(pool)
        return result

    return interrupted, ended


@pytest.fixture
def another_thread():
    """One that would take an interrupt which the main thread only blocks."""
    done = threading.Event()
    thread = threading.Thread(target=done.wait)
    thread.start()
    yield
    done.set()
    thread.join()


@pytest.mark.usefixtures("another_thread")
def test_a_second_interrupt_does_not_keep_the_processes_from_ending(monkeypatch):
    shutdown, ended = interrupting(ProcessPoolExecutor.shutdown)

    def items():
        yield 2
        raise KeyboardInterrupt

    monkeypatch.setattr(ProcessPoolExecutor, "shutdown", shutdown)
    with pytest.raises(KeyboardInterrupt):
        list(each_result(workloads.square, items(), jobs=1))
    assert len(ended) == 1


@pytest.mark.usefixtures("another_thread")
def test_an_interrupt_while_a_process_is_started_ends_it(monkeypatch, tmp_path):
    submit, started = interrupting(ProcessPoolExecutor.submit)
    monkeypatch.setattr(ProcessPoolExecutor, "submit", submit)
    with pytest.raises(KeyboardInterrupt):
        list(each_result(workloads.note_and_sleep, [tmp_path / "pid"], jobs=1))
    monkeypatch.undo()
    with pytest.raises(RuntimeError, match=r"after shutdown|terminated abruptly"):
        started[0].submit(workloads.square, 1)


def full(*_: object, **__: object) -> None:
    raise OSError(24, "Too many open files")


def test_processes_that_the_system_does_not_give_are_said_in_one_line(monkeypatch):
    monkeypatch.setattr(ProcessPoolExecutor, "submit", full)
    with pytest.raises(RingscanError, match=r"^worker processes cannot be started: Too many open"):
        list(each_result(workloads.square, [1], jobs=1))


def test_a_foreign_executor_that_the_system_gives_nothing_is_told_in_one_line(monkeypatch):
    monkeypatch.setattr(InTurn, "submit", full)
    with pytest.raises(RingscanError, match=r"takes no more work: .*Too many open files"):
        list(each_result(workloads.square, [1], executor=InTurn(), jobs=1))


def test_a_pool_has_no_more_processes_than_the_system_can_wait_for(monkeypatch):
    asked = []

    def pool(jobs: int, *arguments: object, **named: object) -> ProcessPoolExecutor:
        asked.append(jobs)
        return ProcessPoolExecutor(jobs, *arguments, **named)

    monkeypatch.setattr("ringscan.workers.ProcessPoolExecutor", pool)
    monkeypatch.setattr("ringscan.workers.MOST_PROCESSES", 1)
    assert dict(each_result(workloads.square, [1, 2, 3], jobs=3)) == squares(1, 2, 3)
    assert asked == [1]


def test_cores_are_counted():
    assert 1 <= usable_cores() <= (os.cpu_count() or 1)
