"""Public names of a room, opened when they are first asked for, so that no command loads what it does not use.

What a command does use is loaded without a search for objects that nobody needs any more.
"""

from __future__ import annotations

import contextlib
import gc
from collections.abc import Callable, Iterator, Mapping
from importlib import import_module
from typing import Any

__all__ = ["loading", "opened_when_asked"]


@contextlib.contextmanager
def loading() -> Iterator[None]:
    """Keep Python from looking for objects to clear away while modules load: theirs stay; the search takes a tenth."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def opened_when_asked(room: str, homes: Mapping[str, str]) -> tuple[Callable[[str], Any], Callable[[], list[str]]]:
    """Return the module-level ``__getattr__`` and ``__dir__`` of a room whose modules load on first use.

    Parameters
    ----------
    room : str
        The package's ``__name__``.
    homes : mapping of str to str
        The module of the room in which each public name lives.

    Returns
    -------
    tuple of two functions

    References
    ----------
    PEP 562, Module ``__getattr__`` and ``__dir__``.
    """

    def get(name: str) -> Any:
        if name not in homes:
            raise AttributeError(f"module {room!r} has no attribute {name!r}")
        return getattr(import_module(f"{room}.{homes[name]}"), name)

    def names() -> list[str]:
        return sorted(homes)

    return get, names
