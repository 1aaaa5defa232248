"""A calculation past its limit of processor time is ended; others and later ones are not."""

from __future__ import annotations

import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from service.web.problem import ProblemError
from service.web.time_limit import LIMIT, LOOK, Limit, OutOfTimeError

SHORT = 0.2


def busy(seconds: float) -> float:
    """Compute for so many seconds of this thread's processor time."""
    until = time.thread_time() + seconds
    while time.thread_time() < until:
        pass
    return seconds


def forever() -> None:
    while True:
        pass


@pytest.fixture(scope="module")
def limit() -> Limit:
    return Limit(SHORT)


def test_what_computes_too_long_is_refused(limit: Limit) -> None:
    with pytest.raises(ProblemError) as refused:
        limit.within(forever)
    assert (refused.value.status, refused.value.code) == (422, "out_of_time")
    assert refused.value.values == {"seconds": "0.2"}


def test_a_calculation_cannot_catch_its_end(limit: Limit) -> None:
    def stubborn() -> None:
        while True:
            try:
                forever()
            except Exception as error:
                pytest.fail(f"caught {error!r}")

    with pytest.raises(ProblemError):
        limit.within(stubborn)


def test_what_only_waits_is_not_ended(limit: Limit) -> None:
    def wait() -> str:
        time.sleep(6 * SHORT)
        return "done"

    assert limit.within(wait) == "done"


def test_result_and_faults_pass_through(limit: Limit) -> None:
    assert limit.within(busy, 0.01) == 0.01
    with pytest.raises(ZeroDivisionError):
        limit.within(lambda: 1 / 0)
    assert limit._turns == {}


def test_each_thread_has_its_own_time(limit: Limit) -> None:
    """Calculations one after another on a thread, and beside one that is ended."""

    def many() -> int:
        return sum(1 for _ in range(30) if limit.within(busy, SHORT / 10))

    with ThreadPoolExecutor(3) as pool:
        ended = pool.submit(limit.within, forever)
        others = [pool.submit(many) for _ in range(2)]
        with pytest.raises(ProblemError):
            ended.result(timeout=60)
        assert [other.result(timeout=60) for other in others] == [30, 30]


def test_nothing_is_raised_after_the_end() -> None:
    """Work that ends about when its time is up is refused or done, and leaves nothing behind."""
    limit = Limit(0.45)
    outcomes: list[float | None] = []
    for step in range(8):
        try:
            outcomes.append(limit.within(busy, 0.43 + 0.01 * step))
        except ProblemError:
            outcomes.append(None)
        try:
            busy(0.02)
        except OutOfTimeError:
            pytest.fail("the exception came after the end")
    assert outcomes[0] is not None


def test_an_end_that_python_drops_in_a_finaliser_is_made_up_for(
    limit: Limit, monkeypatch: pytest.MonkeyPatch
) -> None:
    dropped: list[object] = []
    monkeypatch.setattr(sys, "unraisablehook", dropped.append)

    class Slow:
        def __del__(self) -> None:
            busy(5 * SHORT + LOOK)

    def work() -> int:
        Slow()
        return 1

    with pytest.raises(ProblemError):
        limit.within(work)
    assert len(dropped) == 1
    assert limit.within(busy, 0.01) == 0.01


def test_a_watcher_that_has_gone_is_replaced(monkeypatch: pytest.MonkeyPatch) -> None:
    limit = Limit(SHORT)

    def refuse(_: threading.Thread) -> None:
        raise RuntimeError("can't start new thread")

    with monkeypatch.context() as patched:
        patched.setattr(threading.Thread, "start", refuse)
        assert limit.within(busy, 0.01) == 0.01  # without a limit, but not lost
    with pytest.raises(ProblemError):
        limit.within(forever)


def test_the_limit_of_the_service_is_its_setting() -> None:
    from service.app import create_app

    before = LIMIT.seconds
    try:
        create_app({"SERVICE_TIME_LIMIT": "7"})
        assert LIMIT.seconds == 7
    finally:
        LIMIT.seconds = before
