"""Sources of pictures and adjustments for a session: a camera, the practice laser, or a person (offline)."""
