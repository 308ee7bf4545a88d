"""Time histories as they come: one module a file format, each giving a Recording."""
