"""Judge: results meet the requirement and become verdicts. Third of the five rooms."""
