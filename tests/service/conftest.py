"""What the tests of the service share."""

from __future__ import annotations

from hypothesis import settings

# How long an example takes says more about the machine than about the code.
settings.register_profile("service", deadline=None)
settings.load_profile("service")
