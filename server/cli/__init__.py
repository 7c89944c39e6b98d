"""The command line: parse the arguments, make one call to the part that does the work, print the result."""
