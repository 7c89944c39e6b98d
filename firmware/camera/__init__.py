"""Cameras: one small interface, the classes behind it, and the child process with its watchdog."""
