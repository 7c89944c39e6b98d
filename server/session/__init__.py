"""One alignment under way: frames become marks here, and marks become steps."""
