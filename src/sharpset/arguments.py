"""Checks of arguments that several verbs of the command line share."""

from __future__ import annotations

from typing import Any

from sharpset.errors import SharpsetError

__all__ = ["LARGEST_SEED", "add_action", "seed_number"]

LARGEST_SEED = 2**32 - 1
"""Every generator of random numbers in use takes seeds up to this."""


def seed_number(text: str) -> int:
    """Return a seed that was typed in.

    Raises
    ------
    SharpsetError
        If it is no whole number from 0 to 4294967295.
    """
    try:
        seed = int(text)
    except ValueError:
        seed = -1
    if not 0 <= seed <= LARGEST_SEED:
        raise SharpsetError(f"--seed takes a whole number from 0 to {LARGEST_SEED}, got {text!r}.")
    return seed


def add_action(actions: Any, name: str, text: str) -> Any:
    """Add an action to a verb, described by the words of its help; return its parser."""
    return actions.add_parser(name, help=text, description=f"{text[0].upper()}{text[1:]}.")
