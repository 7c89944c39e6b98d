"""The command line, thin: words in, one call to the part that does the work, words out."""
