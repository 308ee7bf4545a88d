"""Render: results and verdicts become figures, HTML, PDF. Fourth of the five rooms."""
