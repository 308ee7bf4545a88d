"""Free decays."""
