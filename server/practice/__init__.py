"""A practice laser: misaligned in numbers, seen through a camera of its own."""

from server.practice.camera import PracticeCamera, PracticeFrame
from server.practice.machine import Card, PracticeMachine, default_profile

__all__ = ["Card", "PracticeCamera", "PracticeFrame", "PracticeMachine", "default_profile"]
