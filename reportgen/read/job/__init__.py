"""The job file and what it names."""
