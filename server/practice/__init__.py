"""The practice laser: a simulated, misaligned laser with its own simulated camera."""

from server.practice.camera import PracticeCamera, PracticeFrame
from server.practice.machine import Card, PracticeMachine, default_profile

__all__ = ["Card", "PracticeCamera", "PracticeFrame", "PracticeMachine", "default_profile"]
