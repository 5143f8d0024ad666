"""Physiology as pure functions: breath timing, lung mechanics, allometry, oxygen."""
