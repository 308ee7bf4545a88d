"""Figures: curves become small vector drawings, the same bytes for PDF and HTML."""
