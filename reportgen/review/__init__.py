"""Look, decide, sign: a page on the engineer's own machine, whose decisions become entries of the job."""
