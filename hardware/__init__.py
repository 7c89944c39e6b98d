"""Parts to print, cut and solder. Scripts for a checkout; not part of the installed packages."""
