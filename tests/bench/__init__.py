"""Benchmarks: ``make bench`` runs every module here that has a ``run``."""
