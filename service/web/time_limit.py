"""A clock that ends a calculation which takes too long.

Bounds on the input keep calculations short; this is for the one that slips through. What is
measured is the processor time of the calculating thread, so that a busy machine ends nobody's. A
thread of each process looks twice a second, and has Python raise ``OutOfTimeError`` in a thread
whose calculation has used up its seconds; code in C is ended when it comes back to Python.
"""

from __future__ import annotations

import ctypes
import os
import threading
import time
from collections.abc import Callable
from typing import NamedTuple, TypeVar

from service.web.problem import ProblemError

T = TypeVar("T")
LOOK = 0.5  # seconds
DEFAULT = 30.0
HAS_THREAD_CLOCKS = hasattr(time, "pthread_getcpuclockid")


class OutOfTimeError(BaseException):
    """Not an ``Exception``, so that no calculation can take it for a fault of its own."""


class Turn(NamedTuple):
    """One calculation under way: its thread, the clock of its processor time, when that is up."""

    thread: int
    clock: int
    until: float


class Limit:
    """Ends calculations of this process that take more than ``seconds`` of processor time.

    Each calculation is a turn on a list. Whoever takes it off the list has it: its own thread when
    it is done, or the watcher when its time is up. So an exception never comes after the end.
    """

    def __init__(self, seconds: float = DEFAULT) -> None:
        self.seconds = seconds
        self._turns: dict[object, Turn] = {}
        self._watcher: threading.Thread | None = None
        if hasattr(os, "register_at_fork"):
            os.register_at_fork(after_in_child=self._forget)

    def within(self, work: Callable[..., T], *given: object) -> T:
        """What ``work(*given)`` returns.

        Raises:
            ProblemError: 422 where it took more processor time than the limit
        """
        turn = object()
        self._begin(turn)
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

    def _begin(self, turn: object) -> None:
        thread = threading.get_ident()
        clock = _clock_of(thread)
        self._turns[turn] = Turn(thread, clock, time.clock_gettime(clock) + self.seconds)
        if self._watcher is None:
            self._watcher = threading.Thread(target=self._watch, name="time limit", daemon=True)
            self._watcher.start()

    def _end(self, turn: object) -> None:
        if self._turns.pop(turn, None) is None:
            while True:  # the watcher has it: its exception comes any moment, and ends this
                time.sleep(0.001)

    def _watch(self) -> None:
        while True:
            time.sleep(LOOK)
            for turn, (thread, clock, until) in list(self._turns.items()):
                if _is_past(clock, until) and self._turns.pop(turn, None) is not None:
                    ctypes.pythonapi.PyThreadState_SetAsyncExc(
                        ctypes.c_ulong(thread), ctypes.py_object(OutOfTimeError)
                    )

    def _forget(self) -> None:
        """In a forked worker: threads of the master, and their turns, are not there."""
        self._watcher = None
        self._turns.clear()


def _clock_of(thread: int) -> int:
    """The processor time of a thread; the wall's where a system has no such clock."""
    return time.pthread_getcpuclockid(thread) if HAS_THREAD_CLOCKS else time.CLOCK_MONOTONIC


def _is_past(clock: int, until: float) -> bool:
    try:
        return time.clock_gettime(clock) >= until
    except OSError:  # the thread has ended
        return False


LIMIT = Limit()
within_limit = LIMIT.within
