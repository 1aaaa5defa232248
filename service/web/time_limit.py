"""A clock that ends a calculation which takes too long.

Bounds on the input keep calculations short; this is for the one that slips through. What is
measured is the processor time of the calculating thread, so that a busy machine ends nobody's. A
thread of each process looks twice a second, and has Python raise ``OutOfTimeError`` in a thread
whose calculation has used up its seconds; code in C is ended when it comes back to Python.
"""

from __future__ import annotations

import ctypes
import logging
import os
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, TypeVar

from service.web.problem import ProblemError

T = TypeVar("T")
LOOK = 0.5  # seconds
DEFAULT = 30.0
GONE: Final = object()
log = logging.getLogger("service")
HAS_THREAD_CLOCKS = hasattr(time, "pthread_getcpuclockid")


class OutOfTimeError(BaseException):
    """Not an ``Exception``, so that no calculation can take it for a fault of its own."""


@dataclass(slots=True, eq=False)
class Turn:
    """One calculation under way: its thread, the clock of its processor time, when that is up.

    ``told`` is set once Python has been asked to raise the exception in its thread.
    """

    thread: int
    clock: int
    until: float
    told: bool = False


class Limit:
    """Ends calculations of this process that take more than ``seconds`` of processor time.

    Each calculation is a turn on a list. Whoever takes it off the list has it: its own thread when
    it is done, or the watcher when its time is up. So an exception never comes after the end.
    """

    def __init__(self, seconds: float = DEFAULT) -> None:
        self.seconds = seconds
        self._turns: dict[Turn, None] = {}
        self._watcher: threading.Thread | None = None
        if hasattr(os, "register_at_fork"):
            os.register_at_fork(after_in_child=self._forget)

    def within(self, work: Callable[..., T], *given: object) -> T:
        """What ``work(*given)`` returns.

        Raises:
            ProblemError: 422 where it took more processor time than the limit
        """
        turn = self._begin()
        try:
            try:
                found = work(*given)
            except Exception:
                self._end(turn)
                raise
            self._end(turn)
        except OutOfTimeError:
            values = {"seconds": f"{self.seconds:g}"}
            raise ProblemError(422, "out_of_time", values) from None
        finally:
            self._turns.pop(turn, None)
        return found

    def _begin(self) -> Turn:
        if self._watcher is None or not self._watcher.is_alive():
            self._start_watcher()
        thread = threading.get_ident()
        clock = _clock_of(thread)
        turn = Turn(thread, clock, time.clock_gettime(clock) + self.seconds)
        self._turns[turn] = None
        return turn

    def _start_watcher(self) -> None:
        watcher = threading.Thread(target=self._watch, name="time limit", daemon=True)
        try:
            watcher.start()
        except RuntimeError:  # the system gives no more threads: the next calculation tries again
            log.warning("no thread to watch the time of calculations")
        else:
            self._watcher = watcher

    def _end(self, turn: Turn) -> None:
        if self._turns.pop(turn, GONE) is not GONE:
            return
        # the watcher has it, and its exception comes any moment; where a finaliser was running it
        # came already, and Python has dropped it
        while not turn.told:
            time.sleep(0.001)
        time.sleep(0.001)
        _raise_in(turn.thread, None)
        raise OutOfTimeError

    def _watch(self) -> None:
        while True:
            time.sleep(LOOK)
            for turn in list(self._turns):
                if _is_past(turn) and self._turns.pop(turn, GONE) is not GONE:
                    _raise_in(turn.thread, OutOfTimeError)
                    turn.told = True

    def _forget(self) -> None:
        """In a forked worker: threads of the master, and their turns, are not there."""
        self._watcher = None
        self._turns.clear()


def _clock_of(thread: int) -> int:
    """The processor time of a thread; the wall's where a system has no such clock."""
    return time.pthread_getcpuclockid(thread) if HAS_THREAD_CLOCKS else time.CLOCK_MONOTONIC


def _raise_in(thread: int, error: type[BaseException] | None) -> None:
    """Have Python raise ``error`` in a thread; None takes back what was not raised yet."""
    raised = None if error is None else ctypes.py_object(error)
    ctypes.pythonapi.PyThreadState_SetAsyncExc(ctypes.c_ulong(thread), raised)


def _is_past(turn: Turn) -> bool:
    try:
        return time.clock_gettime(turn.clock) >= turn.until
    except OSError:  # the thread has ended
        return False


LIMIT = Limit()
within_limit = LIMIT.within
