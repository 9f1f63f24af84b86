"""An invented printer for the tests: known growth, limits, roughness and scatter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

FACTORS = {
    "factor": [
        {"name": "layer_height", "unit": "mm", "kind": "continuous", "low": 0.04, "high": 0.12},
        {"name": "speed", "unit": "mm/s", "kind": "continuous", "low": 20.0, "high": 60.0},
        {"name": "fan", "unit": "%", "kind": "continuous", "low": 20.0, "high": 100.0},
    ]
}
SIZES_MM = np.round(0.1 * 10 ** (np.arange(12) / 20), 3)


@dataclass(frozen=True, kw_only=True)
class Workshop:
    """Truth of the invented printer; coded settings."""

    print_sd_mm: float = 0.004
    feature_sd_mm: float = 0.003
    limit_sd: float = 0.06

    def growth_mm(self, x: np.ndarray) -> float:
        h, v, f = x
        return 0.02 + 0.012 * v - 0.008 * f + 0.006 * h + 0.006 * v * v - 0.004 * v * f

    def ln_limit(self, x: np.ndarray, kind: str) -> float:
        h, v, _ = x
        base = {"bar": np.log(0.16), "slot": np.log(0.17), "hole": np.log(0.22)}[kind]
        sign = -1.0 if kind == "bar" else 1.0
        return float(base + 0.20 * h + sign * 4.0 * self.growth_mm(x) + 0.05 * v)

    def roughness_mm(self, x: np.ndarray) -> float:
        return 0.012 + 0.005 * x[0] + 0.002 * x[1] + 0.001 * x[0] ** 2

    def readings(self, runs: pd.DataFrame, *, seed: int) -> pd.DataFrame:
        rng = np.random.default_rng(seed)
        rows = []
        for _, run in runs.iterrows():
            x = np.array(
                [(run["layer_height"] - 0.08) / 0.04, (run["speed"] - 40.0) / 20.0, (run["fan"] - 60.0) / 40.0]
            )
            growth = self.growth_mm(x) + self.print_sd_mm * rng.standard_normal()
            scale = 1.003 + 0.0005 * rng.standard_normal()
            for kind in ("bar", "slot", "hole"):
                limit = self.ln_limit(x, kind) + self.limit_sd * rng.standard_normal()
                for i, size in enumerate(np.repeat(SIZES_MM, 3)):
                    chance = 1 / (1 + np.exp(-(np.log(size) - limit) / 0.04))
                    formed = rng.random() < chance
                    sign = 1.0 if kind == "bar" else -1.0
                    deviation = 2 * sign * growth + self.feature_sd_mm * rng.standard_normal()
                    px, py = rng.uniform(0, 40, 2)
                    rows.append(
                        {
                            "scan_id": f"s{run['run_id']}",
                            "piece_id": "p1",
                            "run_id": run["run_id"],
                            "feature_id": f"{kind}{i}",
                            "kind": kind,
                            "nominal_mm": size,
                            "angle_deg": 0.0,
                            "formed": "yes" if formed else ("partly" if rng.random() < 0.3 else "no"),
                            "measured_mm": size + deviation if formed else np.nan,
                            "U95_mm": 0.004 if formed else np.nan,
                            "deviation_mm": deviation if formed else np.nan,
                            "x_dev_mm": (scale - 1) * px + 0.002 * rng.standard_normal(),
                            "y_dev_mm": 0.001 * py + 0.002 * rng.standard_normal(),
                            "edge_roughness_mm": self.roughness_mm(x) * (1 + 0.1 * rng.standard_normal()),
                            "flags": "",
                            "x_mm": px,
                            "y_mm": py,
                        }
                    )
        return pd.DataFrame(rows)
