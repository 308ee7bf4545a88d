"""The operator's notes: words become facts."""
