"""Compute: arrays become sweeps, resonances and modes; no files, no clock. Second of the five rooms."""
