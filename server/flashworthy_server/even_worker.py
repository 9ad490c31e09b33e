"""A process of gunicorn whose threads take connections themselves, each when it is free.

gunicorn's own has its main thread take up to a thousand connections and hand them to threads, and
back when they are answered. Whichever process wakes first then has a queue before its threads while
the other's have nothing to do; and under load each hand-over waits for the interpreter, twice a
request. Here one idle thread at a time waits for what comes next. The main thread watches over
connections that are kept alive or on which nothing came yet, and hands over those on which
something came.
"""

import errno
import os
import select
import socket
import threading
from collections import deque
from concurrent.futures import Future
from contextlib import suppress
from typing import Any

from gunicorn.workers import gthread
from gunicorn.workers.gthread import TConn, ThreadWorker

_NO_WORD_YET = gthread._DEFER  # type: ignore[attr-defined]  # says `handle` of a connection
_FIRST_BYTE_MILLISECONDS = 100  # a thread waits for it; then the main thread does
_LOOK_MILLISECONDS = 1_000  # between two looks whether to go on, where nothing comes
_NOBODY_IS_THERE = (errno.EAGAIN, errno.ECONNABORTED)


class EvenWorker(ThreadWorker):
    """One process; see the module's text."""

    def init_process(self) -> None:
        self._leading = threading.Lock()  # held by the thread that waits for what comes next
        self._counting = threading.Lock()  # of the two below
        self._threads, self._idle = 0, 0
        self._ready: deque[TConn] = deque()  # on which something came
        self._under_way: set[object] = set()  # connections that threads have, or are about to
        self._woken, self._wake = os.pipe()
        for end in (self._woken, self._wake):
            os.set_blocking(end, False)
        super().init_process()

    @property
    def nr_conns(self) -> int:
        """How many connections there are; gunicorn asks before it ends."""
        return len(self._under_way) + len(self.keepalived_conns) + len(self.pending_conns)

    @nr_conns.setter
    def nr_conns(self, count: int) -> None:
        """It is counted."""

    def load_wsgi(self) -> None:
        super().load_wsgi()
        self.wsgi = _sending_whole(self.wsgi)

    def run(self) -> None:
        for listener in self.sockets:
            listener.setblocking(False)
        self._whatever_comes = _poll_of(self._woken, *self.sockets)
        self._handed_over = _poll_of(self._woken)
        self._have_one_idle()
        super().run()

    def set_accept_enabled(self, enabled: bool | None) -> None:
        """The main thread takes none."""
        self._accepting = enabled

    def handle_exit(self, sig: int, frame: Any) -> None:
        super().handle_exit(sig, frame)
        self._wake_one()

    def enqueue_req(self, conn: TConn) -> None:
        """Something came on a connection that the main thread watched."""
        self._under_way.add(conn)
        self._ready.append(conn)
        self._wake_one()

    def finish_request(self, conn: TConn, fs: "Future[Any]") -> None:
        """The main thread takes a connection back."""
        self._under_way.discard(conn)
        super().finish_request(conn, fs)

    def _have_one_idle(self) -> None:
        """Start one more thread where none is left to wait: each takes some megabytes in time."""
        with self._counting:
            is_needed = not self._idle and self._threads < self.cfg.threads
            self._threads += is_needed
            self._idle += is_needed
        if is_needed:
            name = f"serving-{self._threads}"
            threading.Thread(target=self._serve, name=name, daemon=True).start()

    # ---- in each thread --------------------------------------------------------------------------

    def _serve(self) -> None:
        while True:
            conn = self._next()
            self._count_idle(-1)
            self._have_one_idle()
            kept: Any = False
            try:
                kept = self.handle(conn) if _has_begun(conn) else _NO_WORD_YET
            except Exception:  # the boundary: a thread serves others after it
                self.log.exception("serving a connection failed")
            self._leave(conn, kept)
            self._count_idle(1)

    def _count_idle(self, more: int) -> None:
        with self._counting:
            self._idle += more

    def _next(self) -> TConn:
        """The next connection to be served; none that is new once the process is to end."""
        with self._leading:
            while True:
                if self._ready:
                    return self._ready.popleft()
                if conn := self._accepted():
                    return conn
                awaited = self._whatever_comes if self.alive else self._handed_over
                awaited.poll(_LOOK_MILLISECONDS)
                with suppress(BlockingIOError):
                    os.read(self._woken, select.PIPE_BUF)

    def _accepted(self) -> TConn | None:
        for listener in self.sockets:
            self._under_way.add(listener)  # whoever ends the process waits to see what comes of it
            try:
                if not self.alive:
                    return None
                client, address = listener.accept()
                conn = TConn(self.cfg, client, address, listener.getsockname())
                self._under_way.add(conn)
            except OSError as error:
                if error.errno not in _NOBODY_IS_THERE:
                    self.log.exception("no connection can be taken: this process ends")
                    self.alive = False
            else:
                return conn
            finally:
                self._under_way.discard(listener)
        return None

    def _leave(self, conn: TConn, kept: Any) -> None:
        if kept:
            _hold_back(conn.sock, False)
            done: Future[Any] = Future()
            done.set_result(kept)
            self.method_queue.defer(self.finish_request, conn, done)
            return
        with suppress(OSError):
            conn.close(graceful=not _is_read_up(conn))
        self._under_way.discard(conn)
        if not self.alive:
            self.method_queue.defer(lambda: None)  # whoever ends the process looks again

    def _wake_one(self) -> None:
        with suppress(BlockingIOError):  # it is full, so somebody is going to wake
            os.write(self._wake, b"x")


def _sending_whole(application: Any) -> Any:
    """Have the system hold the headers of an answer back until its body follows, or its end.

    gunicorn writes them by themselves: that would be one packet more, and wake whoever asked once
    more for nothing.
    """

    def held_back(environ: dict[str, Any], start_response: Any) -> Any:
        _hold_back(environ["gunicorn.socket"], True)
        return application(environ, start_response)

    return held_back


def _hold_back(sock: socket.socket, is_held: bool) -> None:
    """What is closed is sent anyway."""
    with suppress(OSError):  # nobody is there any more
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_CORK, is_held)


def _poll_of(*files: Any) -> select.poll:
    poll = select.poll()
    for file in files:
        poll.register(file, select.POLLIN)
    return poll


def _has_begun(conn: TConn) -> bool:
    """Whether something came on a connection, by now or soon."""
    if not conn.data_ready and not conn.initialized:
        conn.data_ready = bool(_poll_of(conn.sock).poll(_FIRST_BYTE_MILLISECONDS))
    return bool(conn.data_ready or conn.initialized)


def _is_read_up(conn: TConn) -> bool:
    """Whether all that came was read, and nothing more is to come.

    Where something is unread, the system resets a connection that is closed, and the answer may be
    lost with it: then gunicorn reads on until the other side closes, for two seconds at most, and
    that takes a thread.
    """
    body = getattr(getattr(conn.parser, "mesg", None), "body", None)
    if body is None or getattr(body.reader, "length", None) != 0:
        return False
    try:
        return not conn.sock.recv(1, socket.MSG_PEEK | socket.MSG_DONTWAIT)
    except BlockingIOError:
        return True
