"""Records: the frozen values that every room speaks, one term a file."""
