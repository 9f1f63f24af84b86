"""The command line: parses, calls, prints.

Each verb's arguments live in the ``commands`` module of its sub-package, which is imported only when
that verb is asked for, so that ``sharpset --help`` answers at once.
"""

from __future__ import annotations

import argparse
import errno
import importlib
import os
import sys
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import Any, TextIO

from sharpset import __version__
from sharpset.errors import SharpsetError, SharpsetWarning

__all__ = ["build_parser", "main"]

_VERBS = {
    "demo": ("sharpset.demo", "run the whole job on the sample scans"),
    "brief": ("sharpset.brief_commands", "write an example brief, or check one"),
    "piece": ("sharpset.pieces.commands", "make a test piece ready to print"),
    "plan": ("sharpset.plans.commands", "plan an experiment and write its run sheet"),
    "photo": ("sharpset.scans.photo_commands", "make photographs of a piece true to size, to be read like scans"),
    "scan": ("sharpset.scans.scan_commands", "calibrate a scanner on a rule, a glass scale or a checkerboard"),
    "read": ("sharpset.readings.commands", "measure the pieces on scans"),
    "fit": ("sharpset.fits.commands", "find the settings that meet the brief"),
    "compare": ("sharpset.comparison.commands", "compare two printers, materials or settings"),
    "record": ("sharpset.record.commands", "keep and search what was printed and what worked"),
    "rehearse": ("sharpset.rehearsal.commands", "print and scan on a virtual printer and scanner"),
}
_INTERRUPTED = 130


def build_parser(verb: str | None = None) -> argparse.ArgumentParser:
    """Return the parser; only the arguments of `verb` are filled in.

    Parameters
    ----------
    verb : str, optional
        The verb that the command line names.

    Returns
    -------
    argparse.ArgumentParser
        Parsing sets ``run``, a function that takes the arguments and returns the exit status.
    """
    parser = argparse.ArgumentParser(
        prog="sharpset",
        description="Find, by measuring, the machine and the settings that form the smallest details of a master.",
        epilog="'sharpset VERB --help' tells what a verb takes.",
    )
    parser.add_argument("--version", action="version", version=f"sharpset {__version__}")
    verbs = parser.add_subparsers(title="verbs", metavar="VERB", required=True)
    for name, (module, purpose) in _VERBS.items():
        sub = verbs.add_parser(name, help=purpose, description=f"{purpose[0].upper()}{purpose[1:]}.")
        if name == verb:
            importlib.import_module(module).configure(sub)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    argv : sequence of str, optional
        Arguments without the program's name; those of the process by default.

    Returns
    -------
    int
        0 done, 1 the input is at fault (one line on standard error), 130 stopped by the user.

    Raises
    ------
    SystemExit
        With status 2 for wrong usage, 0 after ``--help`` and ``--version``.
    """
    words = list(sys.argv[1:] if argv is None else argv)
    if not words:
        build_parser().print_help(sys.stderr)
        raise SystemExit(2)
    verb = next((word for word in words if not word.startswith("-")), None)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    try:
        with warnings.catch_warnings():
            warnings.showwarning = _show_warning
            args = build_parser(verb).parse_args(words)
            _refuse_empty_paths(words, args)
            args.draw_overlays = _draw_overlays
            status = int(args.run(args))
            sys.stdout.flush()
            return status
    except SharpsetError as error:
        return _fail(str(error))
    except BrokenPipeError:
        # The reader of the output has gone (`sharpset ... | head`): nothing is left to be told.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except KeyboardInterrupt:
        print("\nsharpset: stopped", file=sys.stderr)
        return _INTERRUPTED
    except OSError as error:
        if error.filename is None and error.errno is None:
            raise
        if os.name == "nt" and error.errno == errno.EINVAL and error.filename is None:
            # What a pipe without a reader says there.
            return 1
        where = f"{error.filename}: " if error.filename is not None else "a file cannot be read or written: "
        return _fail(f"{where}{error.strerror}. Check the path, the permissions and the space on the disk.")


def _draw_overlays(readings: Any, piece: Any, folder: Path) -> None:
    """Draw what was found for a verb whose own room knows no figures."""
    from sharpset.plots import write_overlays

    paths = write_overlays(readings, piece, folder)
    if len(paths) <= 2:
        for path in paths:
            print(f"overlay: {path}")
        return
    n = sum(path.suffix == ".png" for path in paths)
    print(f"overlays: {n} pictures (.png) and pages to point into (.html) in {folder}")


def _refuse_empty_paths(words: Sequence[str], args: argparse.Namespace) -> None:
    """Refuse a path that is an empty text, such as that of a variable never set: it would mean the current folder."""
    paths = [name for name, value in vars(args).items() if isinstance(value, Path) and value == Path()]
    if "" in words and paths:
        raise SharpsetError(f"--{paths[0].replace('_', '-')}: an empty path was given. Name a file or folder.")


def _fail(text: str) -> int:
    print(f"sharpset: {' '.join(text.split())}", file=sys.stderr)
    return 1


def _show_warning(
    message: Warning | str,
    category: type[Warning],
    filename: str,
    lineno: int,
    file: TextIO | None = None,
    line: str | None = None,
) -> None:
    """Show our own remarks in one line; let those of libraries look as Python shows them."""
    if issubclass(category, SharpsetWarning):
        text = f"sharpset: note: {' '.join(str(message).split())}\n"
    else:
        text = warnings.formatwarning(message, category, filename, lineno, line)
    (file or sys.stderr).write(text)
