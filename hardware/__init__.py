"""What is printed, cut and soldered. Scripts for a checkout; not part of the installed packages."""
