"""reportgen: run logs of a vibration test become a report that can be signed, archived and verified."""

__version__ = "0.7.0"
SOFTWARE = f"reportgen {__version__}"
"""As results and pages name the program that made them."""
