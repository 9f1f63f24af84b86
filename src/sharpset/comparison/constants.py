"""Constants of ranges and standard deviations of normal samples, by quadrature."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import integrate, special, stats

from sharpset.errors import ComparisonError

__all__ = ["ChartConstants", "chart_constants", "d2_star"]


@dataclass(frozen=True, kw_only=True, slots=True)
class ChartConstants:
    """Constants of control charts for samples of ``n`` from a normal distribution.

    ``d2, d3``: mean and standard deviation of the range; ``c4``: mean of the standard deviation, all in units of sigma;
    ``A2, A3``: limits of means from ranges and from standard deviations; ``D3, D4`` and ``B3, B4``: limits of ranges
    and of standard deviations.
    """

    n: int
    d2: float
    d3: float
    c4: float

    @property
    def A2(self) -> float:
        """Limits of a chart of means, in units of the mean range."""
        return 3 / (self.d2 * math.sqrt(self.n))

    @property
    def A3(self) -> float:
        """Limits of a chart of means, in units of the mean standard deviation."""
        return 3 / (self.c4 * math.sqrt(self.n))

    @property
    def D3(self) -> float:
        """Lower limit of a chart of ranges, in units of the mean range."""
        return max(0.0, 1 - 3 * self.d3 / self.d2)

    @property
    def D4(self) -> float:
        """Upper limit of a chart of ranges, in units of the mean range."""
        return 1 + 3 * self.d3 / self.d2

    @property
    def B3(self) -> float:
        """Lower limit of a chart of standard deviations, in units of their mean."""
        return max(0.0, 1 - 3 * math.sqrt(1 - self.c4**2) / self.c4)

    @property
    def B4(self) -> float:
        """Upper limit of a chart of standard deviations, in units of their mean."""
        return 1 + 3 * math.sqrt(1 - self.c4**2) / self.c4

    def summary(self) -> str:
        """Return the constants in one line."""
        return f"n {self.n}: d2 {self.d2:.3f}, A2 {self.A2:.3f}, D3 {self.D3:.3f}, D4 {self.D4:.3f}, c4 {self.c4:.4f}"


@lru_cache(maxsize=512)
def chart_constants(n: int) -> ChartConstants:
    """Compute the constants for samples of ``n`` (2 to 2000).

    References
    ----------
    Tippett, L. H. C. (1925), Biometrika 17:364-387 (moments of the range); ISO 7870-2:2013, annex (tables).
    """
    if not 2 <= n <= 2000:
        raise ComparisonError(f"a range needs samples of 2 to 2000 values, got {n}. Regroup the values.")
    norm = stats.norm
    mean, _ = integrate.quad(lambda x: 1 - norm.cdf(x) ** n - norm.sf(x) ** n, -np.inf, np.inf, epsabs=1e-11)
    # E W^2 = 2 * integral over r of r P(W > r); P(W <= r) = n * integral phi(x) (Phi(x + r) - Phi(x))^(n-1) dx.
    nodes, weights = np.polynomial.legendre.leggauss(200)
    x = 10 * nodes
    r = 8 * (nodes + 1)
    inner = norm.cdf(x[None, :] + r[:, None]) - norm.cdf(x[None, :])
    below = n * np.sum(10 * weights * norm.pdf(x) * np.clip(inner, 0, 1) ** (n - 1), axis=1)
    square = float(2 * np.sum(8 * weights * r * np.clip(1 - below, 0, 1)))
    log_c4 = 0.5 * math.log(2 / (n - 1)) + float(special.gammaln(n / 2) - special.gammaln((n - 1) / 2))
    return ChartConstants(n=n, d2=float(mean), d3=math.sqrt(square - mean**2), c4=math.exp(log_c4))


def d2_star(n: int, groups: int) -> float:
    """Return Duncan's d2*: the root mean square of the mean of ``groups`` ranges of ``n`` values, in units of sigma."""
    constants = chart_constants(n)
    return math.sqrt(constants.d2**2 + constants.d3**2 / groups)
