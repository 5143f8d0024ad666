"""Whether something listens at an address, or could."""

from __future__ import annotations

import socket


def can_connect(host: str, port: int, timeout_s: float = 2.0) -> bool:
    """True when a TCP connection can be made."""
    try:
        with socket.create_connection((host, port), timeout=timeout_s):
            return True
    except OSError:
        return False


def port_is_free(host: str, port: int) -> bool:
    """True when a server can listen there now."""
    try:
        with socket.create_server((host, port)):
            return True
    except OSError:
        return False


def free_port(host: str) -> int:
    """A port of this machine that nobody listens at."""
    with socket.socket() as probe:
        probe.bind((host, 0))
        return int(probe.getsockname()[1])
