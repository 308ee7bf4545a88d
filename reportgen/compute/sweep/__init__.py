"""The sweep as it was really run: facts, control against profile, dwell, what the exciter had to do."""
