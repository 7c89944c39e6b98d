"""The server: solver, log, practice laser, pages, and the command line that starts them."""
