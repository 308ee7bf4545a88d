"""Modes of measured structures: what a linear model with complex residues explains, and what is left as misfit."""
