"""How any command says no: one line on standard error, and an exit status of its own."""

from __future__ import annotations

import click

__all__ = ["NotSeen", "Refusal"]


class Refusal(click.ClickException):
    """Bad input, or what the log or the disk refused: what, where, and what to do, in one line."""

    exit_code = 2


class NotSeen(click.ClickException):
    """A good picture without a card, or without a mark."""

    exit_code = 3
