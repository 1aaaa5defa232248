"""Gunicorn's worker with threads, in which a client that keeps silent holds no thread.

Gunicorn's own gives each new connection to a thread, which waits some seconds for the first byte: a
few silent connections then stop a worker. Here the poller waits, as it does between two requests;
and what a thread reads or sends ends where nothing has moved for some seconds. Clients that send
slowly still hold a thread each: they are the proxy's to take (``docker/nginx.conf``).
"""

from __future__ import annotations

import errno
import selectors
import socket
import struct
import time
from functools import partial
from typing import Any

from gunicorn.workers.gthread import TConn, ThreadWorker  # type: ignore[import-untyped]

from service.web.settings import server_settings

PASSING = (errno.EAGAIN, errno.EWOULDBLOCK, errno.ECONNABORTED)


class Client(socket.socket):
    """The socket of a client; where nothing moves for so long, the client counts as gone.

    The kernel measures the time of each single read and send, so that a slow but moving client
    stays. Gunicorn passes over a reset in silence, and would log anything else.
    """

    @classmethod
    def of(cls, plain: socket.socket, seconds: int) -> Client:
        """The socket of an accepted connection."""
        made = cls(plain.family, plain.type, plain.proto, fileno=plain.detach())
        limit = struct.pack("ll", seconds, 0)
        made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, limit)
        made.setsockopt(socket.SOL_SOCKET, socket.SO_SNDTIMEO, limit)
        return made

    def recv(self, size: int, flags: int = 0, /) -> bytes:
        """Wait for bytes; raises ConnectionResetError after the limit."""
        try:
            return super().recv(size, flags)
        except BlockingIOError:
            raise ConnectionResetError(errno.ECONNRESET, "nothing came") from None

    def send(self, data: Any, flags: int = 0, /) -> int:
        """Send some of the bytes; raises ConnectionResetError after the limit."""
        try:
            return super().send(data, flags)
        except BlockingIOError:
            raise ConnectionResetError(errno.ECONNRESET, "nothing was taken") from None

    def sendall(self, data: Any, flags: int = 0, /) -> None:
        """Send all bytes; raises ConnectionResetError after the limit."""
        try:
            super().sendall(data, flags)
        except BlockingIOError:
            raise ConnectionResetError(errno.ECONNRESET, "nothing was taken") from None


class Worker(ThreadWorker):  # type: ignore[misc]
    """Threads for connections that have something to say."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.patience = server_settings().client_timeout

    def accept(self, listener: Any) -> None:
        """Take a connection, and wait for its first byte without a thread."""
        try:
            plain, address = listener.accept()
        except OSError as error:
            if error.errno not in PASSING:
                raise
            return
        sock = Client.of(plain, self.patience)
        conn = TConn(self.cfg, sock, address, listener.getsockname())
        conn.timeout = time.monotonic() + self.patience
        self.nr_conns += 1
        self.pending_conns.append(conn)
        answer = partial(self.on_pending_socket_readable, conn)
        self.poller.register(conn.sock, selectors.EVENT_READ, answer)

    def _cap_keepalive(self, deadline: float) -> None:
        """A worker that stops waits no longer for the silent than for those kept alive."""
        super()._cap_keepalive(deadline)
        for conn in self.pending_conns:
            conn.timeout = min(conn.timeout, deadline)
