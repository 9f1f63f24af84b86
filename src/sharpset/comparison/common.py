"""What all widths of one scan share: it does not average out over features, and seldom over print jobs."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from sharpset.errors import ComparisonError

__all__ = ["CommonUncertainty"]


@dataclass(frozen=True, kw_only=True, slots=True)
class CommonUncertainty:
    """Scan-wide 95 % half-widths (mm).

    Attributes
    ----------
    U95_a_mm, U95_b_mm : float
        Of the mean deviation of each printer, which a scanner's scale or edge error does not leave.
    U95_difference_mm : float
        Of the difference of both printers. By one scanner it is 0 where every print job has a scan of its own, because
        the scatter between the jobs then holds the error already, or where each scan holds prints of both printers.
        By two scanners it is that of both: what a scanner does to all its scans shows in no scatter.
    shared_scans_a, shared_scans_b : bool
        Whether several print jobs share a scan.
    known : bool
        Whether the uncertainty was given or stands in the readings.
    two_scanners : bool
        Whether the prints of each printer were scanned by a scanner of their own.
    """

    U95_a_mm: float
    U95_b_mm: float
    U95_difference_mm: float
    shared_scans_a: bool
    shared_scans_b: bool
    known: bool
    two_scanners: bool = False

    @classmethod
    def of(
        cls, a: pd.DataFrame, b: pd.DataFrame, *, given: float | None, two_scanners: bool = False
    ) -> CommonUncertainty:
        """Take the scan-wide uncertainty from the argument, else from the column ``U95_common_mm``."""
        each = []
        for frame in (a, b):
            column = frame["U95_common_mm"] if "U95_common_mm" in frame else pd.Series(dtype=float)
            each.append(given if given is not None else float(np.nan_to_num(column.median())))
        known = given is not None or "U95_common_mm" in a or "U95_common_mm" in b
        if any(u < 0 or not math.isfinite(u) for u in each):
            raise ComparisonError(f"the scan-wide uncertainty is {each[0]!r} mm; give a half-width of 0 mm or more.")
        scans = [frame["scan_id"].nunique() for frame in (a, b)]
        shared = [n < frame["run_id"].nunique() for n, frame in zip(scans, (a, b), strict=True)]
        together = set(a["scan_id"]) == set(b["scan_id"])
        # Scans that are drawn anew for every print job show their error in the scatter between the jobs already.
        parts = [0.0 if together or not s else u / math.sqrt(n) for u, n, s in zip(each, scans, shared, strict=True)]
        if two_scanners and not together:
            parts = each
        return cls(
            U95_a_mm=each[0],
            U95_b_mm=each[1],
            U95_difference_mm=math.hypot(*parts),
            shared_scans_a=shared[0],
            shared_scans_b=shared[1],
            known=known,
            two_scanners=two_scanners and not together,
        )

    def remarks(self, labels: tuple[str, str]) -> list[str]:
        """Say what the design of the scans cannot support."""
        out = []
        if self.two_scanners and not self.known:
            out.append(
                "Both were scanned by scanners of their own and the scan-wide uncertainty is not given, so what the "
                "scanners differ by could pass for the printers'. Scan both on one scanner or give the uncertainty."
            )
        for label, shared in zip(labels, (self.shared_scans_a, self.shared_scans_b), strict=True):
            if shared and not self.known:
                out.append(
                    f"Several prints of {label} share a scan and its scan-wide uncertainty is not given, so a "
                    "scanner's error could pass for the printer's. Scan each print separately or give the uncertainty."
                )
        return out
