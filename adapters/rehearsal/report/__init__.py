"""The report of a rehearsal: one page for clinicians, JUnit XML and JSON for programs."""

from adapters.rehearsal.report.data import json_body
from adapters.rehearsal.report.junit import junit_text
from adapters.rehearsal.report.page import write_page
from adapters.rehearsal.report.report import Report, Survivor

__all__ = ["Report", "Survivor", "json_body", "junit_text", "write_page"]
