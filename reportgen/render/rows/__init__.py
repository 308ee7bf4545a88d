"""Rows: records become finished strings, so that templates only lay out."""
