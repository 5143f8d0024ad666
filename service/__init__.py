"""Readings in, facts, findings and advisories out. Given its clock; talks through ports."""
