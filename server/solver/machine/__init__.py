"""One laser in numbers: profile, exact trace, the unknowns as a vector, what passes an opening."""
