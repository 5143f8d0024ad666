"""Pages on rules: which decide, how each fares, all of them in words, and what two versions differ
in. They read the library and the store, and change neither."""

from adapters.pages.rules.routing import routes

__all__ = ["routes"]
