"""Checks of arguments that several verbs of the command line share."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from sharpset.errors import SharpsetError

__all__ = ["LARGEST_SEED", "add_action", "named_values", "number_of_jobs", "seed_number", "typed_path"]

LARGEST_SEED = 2**32 - 1
"""Every generator of random numbers in use takes seeds up to this."""
_MOST_JOBS = 60


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


def number_of_jobs(text: str) -> int:
    """Return how many scans to read at a time, as it was typed in.

    Raises
    ------
    argparse.ArgumentTypeError
        If it is no whole number from 1 to 60.
    """
    if not (text.isdecimal() and 1 <= int(text) <= _MOST_JOBS):
        raise argparse.ArgumentTypeError(f"{text!r} is no number of scans; give 1 to {_MOST_JOBS}")
    return int(text)


def named_values(texts: Sequence[str]) -> dict[str, str]:
    """Return what was typed after ``--set`` as NAME=VALUE, by name.

    Raises
    ------
    SharpsetError
        If one is no NAME=VALUE, or given twice.
    """
    found: dict[str, str] = {}
    for text in texts:
        name, equals, value = text.partition("=")
        name = name.strip()
        if not equals or not name:
            raise SharpsetError(f"--set {text!r}: NAME=VALUE is needed, for example --set layer_height=0.06.")
        if name in found:
            raise SharpsetError(f"--set {name} is given twice; keep one of them.")
        found[name] = value.strip()
    return found


def typed_path(path: Path) -> str:
    """Return a path as it is typed in a command that is shown: in quotes that every shell knows where it has blanks."""
    text = str(path)
    return f'"{text}"' if " " in text else text


def add_action(actions: Any, name: str, text: str) -> Any:
    """Add an action to a verb, described by the words of its help; return its parser."""
    return actions.add_parser(name, help=text, description=f"{text[0].upper()}{text[1:]}.")
