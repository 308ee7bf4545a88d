"""Read: files become records, or findings with file and line. First of the five rooms."""
