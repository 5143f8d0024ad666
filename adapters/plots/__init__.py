"""Pictures of a replay for people: one page per place, offline, drawn by Plotly.

`ready` says early whether the optional library is there; `write_plots` writes the pages.
"""

from adapters.plots.pages import PlotsUnavailableError, ready, write_plots
from adapters.plots.recorded import Recorded

__all__ = ["PlotsUnavailableError", "Recorded", "ready", "write_plots"]
