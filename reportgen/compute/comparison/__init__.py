"""Runs held against each other: shifts, level, sensors."""
