"""sharpset: find, by measuring, the machine and the settings that form the smallest details of a master.

Sub-packages are imported when they are used, so that ``import sharpset`` stays quick.
"""

from __future__ import annotations

__all__ = ["__version__"]

__version__ = "0.1.0"
