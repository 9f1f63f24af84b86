"""A value of a whole piece with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Quantity"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Quantity:
    """A value of a whole piece with the half-width of its 95 % interval; NaN where it cannot be told."""

    name: str
    unit: str
    value: float
    U95: float
    n: int

    def summary(self) -> str:
        """Return the quantity in one line."""
        return f"{self.name} {self.value:.5g} +- {self.U95:.2g} {self.unit} (n = {self.n})".rstrip()
