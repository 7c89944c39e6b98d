"""One alignment under way: the one place where frames become marks become steps."""
