"""Every error that sharpset raises on purpose.

The command line turns any of them into one line on standard error and exit status 1.
"""

from __future__ import annotations

__all__ = [
    "BriefError",
    "ComparisonError",
    "FitError",
    "PieceError",
    "PlanError",
    "ReadingError",
    "RecordError",
    "RehearsalError",
    "ReportError",
    "ScanError",
    "SharpsetError",
    "SharpsetWarning",
]


class SharpsetError(Exception):
    """Root of all errors raised on purpose; the text says where, what and what to do."""


class SharpsetWarning(UserWarning):
    """A remark on which the maker can act."""


class BriefError(SharpsetError, ValueError):
    """The brief cannot be used."""


class PieceError(SharpsetError, ValueError):
    """A test piece cannot be made or opened."""


class ScanError(SharpsetError, ValueError):
    """A picture cannot be opened, or no piece can be found in it."""


class ReadingError(SharpsetError, ValueError):
    """A picture or a table of readings cannot support a number."""


class PlanError(SharpsetError, ValueError):
    """A plan, its factors or its runs cannot be used."""


class FitError(SharpsetError, ValueError):
    """The data cannot support the model that was asked for."""


class ComparisonError(SharpsetError, ValueError):
    """Two sets of readings cannot be compared."""


class RecordError(SharpsetError, ValueError):
    """The record cannot be opened, or an entry cannot be taken."""


class RehearsalError(SharpsetError, ValueError):
    """A rehearsal cannot be run with these settings."""


class ReportError(SharpsetError, ValueError):
    """A report cannot be written."""
