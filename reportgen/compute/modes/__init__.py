"""Logs and notes joined to numbered modes, with beam theory as a witness."""
