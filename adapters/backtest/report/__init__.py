"""The report of a backtest: one page to read and print, offline."""

from adapters.backtest.report.page import write_page

__all__ = ["write_page"]
