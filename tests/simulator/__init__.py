"""Simulator of vibration runs: equations of motion integrated in the time domain, logged as laboratories do.

It lives with the tests and shares no formula with the product: the product fits the envelope of a swept mode, this
integrates the modal oscillators under the oscillating drive itself and detects their motion afterwards.
"""
