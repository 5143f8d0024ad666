"""A network between a browser and the pages that can be cut: what is under way just stops."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager

from adapters.tcp import free_port


class Between:
    """Passes bytes both ways while it is not cut."""

    def __init__(self, target: int) -> None:
        self.port = free_port("127.0.0.1")
        self._target = target
        self._whole = threading.Event()
        self._whole.set()
        self._open: list[socket.socket] = []
        self._listener = socket.create_server(("127.0.0.1", self.port))
        threading.Thread(target=self._accept, daemon=True).start()

    def cut(self) -> None:
        """From now on nothing passes, and nobody is told."""
        self._whole.clear()

    def mend(self) -> None:
        """What was under way when it was cut is lost; what is new passes."""
        for one in self._open:
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
        self._open.clear()
        self._whole.set()

    def close(self) -> None:
        """Take nothing more."""
        self._listener.close()
        self.mend()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            far = socket.create_connection(("127.0.0.1", self._target))
            self._open += [near, far]
            for one, other in ((near, far), (far, near)):
                threading.Thread(target=self._pass, args=(one, other), daemon=True).start()

    def _pass(self, one: socket.socket, other: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while piece := one.recv(65536):
                self._whole.wait()
                other.sendall(piece)
        with contextlib.suppress(OSError):
            other.shutdown(socket.SHUT_WR)


@contextmanager
def between(target: int) -> Iterator[Between]:
    """A network to a port of this machine."""
    made = Between(target)
    try:
        yield made
    finally:
        made.close()
