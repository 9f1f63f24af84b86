"""The verb ``sharpset brief``: write an example, check a file."""

from __future__ import annotations

import argparse
from pathlib import Path

from sharpset.errors import BriefError

__all__ = ["configure"]


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("--out", type=Path, metavar="FILE", help="write an example brief to this new file")
    parser.add_argument(
        "--process",
        choices=("filament", "resin"),
        default="filament",
        help="process of the example (default: filament)",
    )
    parser.set_defaults(run=_write_example)
    actions = parser.add_subparsers(title="actions", metavar="ACTION")
    check = actions.add_parser("check", help="check a brief and say it in one line", description="Check a brief.")
    check.add_argument("file", type=Path, metavar="FILE", help="brief.toml")
    check.set_defaults(run=_check)


def _write_example(args: argparse.Namespace) -> int:
    from sharpset.brief import example_brief

    if args.out is None:
        raise BriefError("nothing to do: give --out FILE to write an example brief, or 'check FILE' to check one")
    try:
        with args.out.open("x", encoding="utf-8", newline="\n") as file:
            file.write(example_brief(args.process))
    except FileExistsError as error:
        raise BriefError(f"{args.out}: is there already and is left as it is. Choose another --out.") from error
    except OSError as error:
        raise BriefError(f"{args.out}: cannot be written ({error.strerror}). Choose another --out.") from error
    print(f"{args.out}: an example brief; put your own sizes in, then run 'sharpset brief check {args.out}'.")
    return 0


def _check(args: argparse.Namespace) -> int:
    from sharpset.brief import load_brief

    if args.out is not None:
        raise BriefError("--out writes an example and 'check' reads a brief: do one after the other")
    brief = load_brief(args.file)
    print(brief.summary())
    for kind, size_mm in brief.smallest_mm.items():
        full = f", {_in_words(brief.full_size_mm(size_mm))} mm at full size" if brief.scale else ""
        print(f"  smallest {kind}: {_in_words(size_mm)} mm{full}")
    if brief.tolerance_mm.edge_roughness is not None:
        print(f"  edges no rougher than {brief.tolerance_mm.edge_roughness:g} mm (standard deviation)")
    if brief.limits.print_time_h is not None:
        print(f"  printed in {brief.limits.print_time_h:g} h at most")
    return 0


def _in_words(size_mm: float) -> str:
    """Return a size to three figures, without an exponent."""
    return f"{size_mm:.3g}" if size_mm < 1000 else f"{size_mm:.0f}"
