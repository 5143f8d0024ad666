"""Whether something listens at an address."""

from __future__ import annotations

import socket


def can_connect(host: str, port: int, timeout_s: float = 2.0) -> bool:
    """True when a TCP connection can be made."""
    try:
        with socket.create_connection((host, port), timeout=timeout_s):
            return True
    except OSError:
        return False
