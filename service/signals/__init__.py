"""Signals: blocks of samples assembled, breaths and capnogram read from them."""
