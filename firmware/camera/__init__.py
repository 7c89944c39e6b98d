"""Cameras: one small interface, its makers, and the child process with its watchdog."""
