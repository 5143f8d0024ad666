"""What is past of a place, from the store: it is only read here, also while a service writes it."""

from adapters.pages.past.pages import routes

__all__ = ["routes"]
