"""Where the counts of the rate limit are kept, for the ``limits`` library.

In Redis, which several workers and replicas can share, or in this process's memory: then each
worker counts for itself, and a caller of a service with four workers may make up to four times the
requests. The library's own memory storage starts a thread a hundred times a second to forget old
counts, which costs a request more than its calculation; this one forgets while it counts.
"""

from __future__ import annotations

import threading
import time

from limits.storage import Storage, storage_from_string

MOST_CALLERS = 100_000
LONGEST_WAIT = 0.25  # seconds for Redis: a request does not wait longer to be counted
PAUSE = 2.0  # seconds in which a storage that failed is left alone


def storage_of(address: str) -> Storage:
    """The storage that ``memory://`` or ``redis://host:6379`` names.

    Raises:
        ValueError, ConfigurationError: another one, or Redis without its client
    """
    if address == "memory://":
        return PlainMemory()
    if not address.startswith(("redis://", "rediss://", "redis+unix://")):
        raise ValueError("unknown storage")
    # no second try: what cannot be counted at once passes uncounted
    waits = {"socket_timeout": LONGEST_WAIT, "socket_connect_timeout": LONGEST_WAIT}
    made: Storage = storage_from_string(address, **waits, retry=_no_retry())  # type: ignore[arg-type, assignment]
    return made


def _no_retry() -> object:
    from redis.backoff import NoBackoff
    from redis.retry import Retry

    return Retry(NoBackoff(), 0)


class Pause:
    """Whether a storage may be asked: after a failure one request tries again, all others do not.

    Else each request would wait for a storage that hangs.
    """

    def __init__(self) -> None:
        self._until = 0.0

    def is_over(self) -> bool:
        """Whether the asking request may try; tell ``failed`` or ``worked`` afterwards."""
        if not self._until:
            return True
        now = time.monotonic()
        if now < self._until:
            return False
        self._until = now + PAUSE
        return True

    def failed(self) -> None:
        """Leave the storage alone for a while."""
        self._until = time.monotonic() + PAUSE

    def worked(self) -> None:
        """Ask it again for each request."""
        self._until = 0.0


class PlainMemory(Storage):
    """Fixed windows: a count and the end of its window for each key.

    Windows are measured by a clock that nobody can set: a clock set back by a day would else refuse
    a caller for a day.
    """

    STORAGE_SCHEME = None

    def __init__(self) -> None:
        super().__init__()
        self._counts: dict[str, tuple[int, float]] = {}
        self._lock = threading.Lock()

    @property
    def base_exceptions(self) -> type[Exception]:
        """What a failing storage raises: nothing here."""
        return ValueError

    def incr(self, key: str, expiry: int, amount: int = 1) -> int:
        """Count ``amount`` more in the window of ``key``; returns the count."""
        now = time.monotonic()
        with self._lock:
            count, ends = self._counts.get(key, (0, 0.0))
            if ends <= now:
                count, ends = 0, now + expiry
                self._forget(now)
            self._counts[key] = (count + amount, ends)
        return count + amount

    def _forget(self, now: float) -> None:
        if len(self._counts) >= MOST_CALLERS:
            self._counts = {k: v for k, v in self._counts.items() if v[1] > now}
        if len(self._counts) >= MOST_CALLERS:  # no look through all of them at each new caller
            self._counts = {}

    def get(self, key: str) -> int:
        """The count in the present window."""
        count, ends = self._counts.get(key, (0, 0.0))
        return count if ends > time.monotonic() else 0

    def get_expiry(self, key: str) -> float:
        """When the present window ends, seconds since the epoch."""
        left = self._counts.get(key, (0, 0.0))[1] - time.monotonic()
        return time.time() + max(0.0, left)

    def check(self) -> bool:
        """Whether the storage works."""
        return True

    def reset(self) -> int:
        """Forget all counts; returns how many."""
        with self._lock:
            forgotten = len(self._counts)
            self._counts.clear()
        return forgotten

    def clear(self, key: str) -> None:
        """Forget one count."""
        with self._lock:
            self._counts.pop(key, None)
