"""How a command fails: one line on standard error, and its exit status."""

from __future__ import annotations

import click

__all__ = ["NotSeen", "Refusal"]


class Refusal(click.ClickException):
    """Bad input, or an error of the log or the disk: what, where, and what to do, in one line."""

    exit_code = 2


class NotSeen(click.ClickException):
    """A good picture without a card, or without a mark."""

    exit_code = 3
