"""Where a session's pictures and hands come from: a camera, the practice laser, or nobody."""
