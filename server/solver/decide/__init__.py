"""What could be done next, what it would bring, faults, proof, verdict."""
