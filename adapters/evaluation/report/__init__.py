"""The report of an evaluation for people: one page, offline, to read and to print."""

from adapters.evaluation.report.page import write_page

__all__ = ["write_page"]
