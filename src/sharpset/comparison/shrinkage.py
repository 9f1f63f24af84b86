"""Scale from master to mould to casting: the factor to print with, and shrinkage measured from readings."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from sharpset.comparison.cautions import MOULD_CAUTIONS
from sharpset.errors import ComparisonError

__all__ = [
    "MeasuredScale",
    "ScaleChain",
    "Stage",
    "measure_scale",
    "plan_scale_chain",
    "read_stages",
    "usual_shrinkage_percent",
]

_LARGEST_TARGET_MM = 10_000.0
_SUSPICIOUS_PERCENT = 15.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Stage:
    """One step of the chain.

    Attributes
    ----------
    name : str
    shrinkage_percent : float
        Linear shrinkage in percent, positive where the result is smaller than what it was made from.
    U95_percent : float
        Half-width of its 95 % interval, in percentage points.
    """

    name: str
    shrinkage_percent: float
    U95_percent: float = 0.0

    def __post_init__(self) -> None:
        """Check the numbers where they enter."""
        if not math.isfinite(self.shrinkage_percent) or not -50 < self.shrinkage_percent < 50:
            raise ComparisonError(
                f"stage {self.name}: shrinkage is {self.shrinkage_percent!r} %; a linear shrinkage lies between -50 "
                "and 50 %. Give it in percent, 3.5 for 3.5 %."
            )
        if not (math.isfinite(self.U95_percent) and self.U95_percent >= 0):
            raise ComparisonError(
                f"stage {self.name}: U95 is {self.U95_percent!r} %; give a half-width of 0 % or more."
            )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class ScaleChain:
    """The factor to print a master with.

    Attributes
    ----------
    stages : DataFrame
        ``stage, shrinkage_percent, U95_percent, size_after`` (size relative to the master after the stage).
    factor, U95_factor : float
        Master size over target size, and the half-width of its 95 % interval.
    targets : DataFrame
        ``target_mm, master_mm, U95_mm``; U95 covers the shrinkages and nothing else.
    remarks, cautions : tuple of str
    """

    stages: pd.DataFrame
    factor: float
    U95_factor: float
    targets: pd.DataFrame
    remarks: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def percent(self) -> float:
        """The factor as the number to enter for scaling, in percent."""
        return 100 * self.factor

    def summary(self) -> str:
        """Return the factor in one line."""
        return (
            f"print the master at {self.percent:.2f} % (factor {self.factor:.4f} +/- {self.U95_factor:.4f}, 95 %) for "
            f"{len(self.stages)} stage{'s' if len(self.stages) != 1 else ''}"
        )

    def to_frame(self) -> pd.DataFrame:
        """Return the stages."""
        return self.stages.copy()

    def _repr_html_(self) -> str:
        return f"<p>{self.summary()}</p>{self.stages.to_html(index=False)}{self.targets.to_html(index=False)}"


def plan_scale_chain(stages: Sequence[Stage], *, targets_mm: Sequence[float] = ()) -> ScaleChain:
    """Compose shrinkages from master to casting.

    Parameters
    ----------
    stages : sequence of Stage
        In the order in which they happen: mould, casting, and so on. A print's own shrinkage may be a stage too.
    targets_mm : sequence of float
        Sizes wanted on the casting.

    Returns
    -------
    ScaleChain

    Notes
    -----
    Shrinkages multiply: ``master = target / prod(1 - s_i)``. The relative variance of the factor is the sum of
    ``(u(s_i) / (1 - s_i))**2`` (JCGM 100:2008, 5.1), stages independent of one another.
    """
    if not stages:
        raise ComparisonError("the chain has no stages. Give at least one, such as the mould's shrinkage.")
    shares = [1 - s.shrinkage_percent / 100 for s in stages]
    after = np.cumprod(shares)
    factor = float(1 / after[-1])
    relative = math.sqrt(sum((s.U95_percent / 100 / k) ** 2 for s, k in zip(stages, shares, strict=True)))
    sizes = np.asarray(targets_mm, float)
    sound = (sizes > 0) & (sizes <= _LARGEST_TARGET_MM)
    if not sound.all():
        raise ComparisonError(
            f"a target size is {float(sizes[~sound][0])!r} mm; give sizes above 0 mm and up to "
            f"{_LARGEST_TARGET_MM:g} mm."
        )
    names = [s.name for s in stages]
    twice = [name for name in names if names.count(name) > 1]
    if twice:
        raise ComparisonError(f"the chain has two stages of the name {twice[0]!r}. Give each a name of its own.")
    table = pd.DataFrame(
        {
            "stage": [s.name for s in stages],
            "shrinkage_percent": [s.shrinkage_percent for s in stages],
            "U95_percent": [s.U95_percent for s in stages],
            "size_after": after,
        }
    )
    remarks = [
        f"{s.name}: {s.shrinkage_percent:g} % is more than mould and casting materials usually shrink; check it."
        for s in stages
        if abs(s.shrinkage_percent) > _SUSPICIOUS_PERCENT
    ]
    remarks += [f"{s.name}: no uncertainty given, it counts as exact." for s in stages if s.U95_percent == 0]
    return ScaleChain(
        stages=table,
        factor=factor,
        U95_factor=factor * relative,
        targets=pd.DataFrame({"target_mm": sizes, "master_mm": sizes * factor, "U95_mm": sizes * factor * relative}),
        remarks=tuple(remarks),
        cautions=MOULD_CAUTIONS,
    )


def read_stages(table: pd.DataFrame, *, name: str = "table of stages") -> list[Stage]:
    """Make stages from a table ``stage, shrinkage_percent, U95_percent`` (the last optional)."""
    frame = table.rename(columns=lambda c: str(c).strip())
    missing = [c for c in ("stage", "shrinkage_percent") if c not in frame]
    if missing:
        raise ComparisonError(
            f"{name}: the column {missing[0]} is missing. Columns are stage, shrinkage_percent, U95_percent."
        )
    out = []
    for row in frame.to_dict("records"):
        try:
            value, spread = float(row["shrinkage_percent"]), float(row.get("U95_percent", 0.0))
        except (TypeError, ValueError) as error:
            raise ComparisonError(
                f"{name}: stage {row['stage']}: a shrinkage is not a number. Write 3.5 for 3.5 %."
            ) from error
        out.append(
            Stage(name=str(row["stage"]), shrinkage_percent=value, U95_percent=0.0 if math.isnan(spread) else spread)
        )
    return out


@dataclass(frozen=True, kw_only=True, slots=True)
class MeasuredScale:
    """Linear change between two readings of the same features along x and y.

    ``scale_x, scale_y``: size after over size before; ``U95_*`` half-widths of 95 % intervals from the scatter of the
    features' positions, with scan-wide scale uncertainty added where given; ``n`` features; ``span_x_mm, span_y_mm``
    how far they reach.
    """

    scale_x: float
    scale_y: float
    U95_x: float
    U95_y: float
    n: int
    span_x_mm: float
    span_y_mm: float

    @property
    def shrinkage_percent(self) -> float:
        """Mean linear shrinkage in percent."""
        return 100 * (1 - (self.scale_x + self.scale_y) / 2)

    @property
    def U95_percent(self) -> float:
        """Half-width of the 95 % interval of the mean shrinkage in percent, half the difference of both axes "
        "included.
        """
        spread = abs(self.scale_x - self.scale_y) / 2
        return 100 * math.hypot(math.hypot(self.U95_x, self.U95_y) / 2, spread)

    def stage(self, name: str) -> Stage:
        """Return the change as a stage of a chain."""
        return Stage(name=name, shrinkage_percent=self.shrinkage_percent, U95_percent=self.U95_percent)

    def summary(self) -> str:
        """Return the change in one line."""
        return (
            f"shrinkage x {100 * (1 - self.scale_x):.3f} +/- {100 * self.U95_x:.3f} %, y "
            f"{100 * (1 - self.scale_y):.3f} +/- {100 * self.U95_y:.3f} %, {self.n} features"
        )

    def to_frame(self) -> pd.DataFrame:
        """Return a row per axis."""
        return pd.DataFrame(
            {
                "axis": ["x", "y"],
                "scale": [self.scale_x, self.scale_y],
                "U95": [self.U95_x, self.U95_y],
                "span_mm": [self.span_x_mm, self.span_y_mm],
                "n": self.n,
            }
        )

    def _repr_html_(self) -> str:
        return f"<p>{self.summary()}</p>{self.to_frame().to_html(index=False)}"


def measure_scale(before: pd.DataFrame, after: pd.DataFrame, *, scale_U95: float = 0.0) -> MeasuredScale:
    """Measure how positions moved between two readings of the same features.

    Parameters
    ----------
    before, after : DataFrame
        ``feature_id, x_mm, y_mm, x_dev_mm, y_dev_mm``: nominal centres in the piece frame and their deviations. The
        deviations must be taken without fitting the scale away.
    scale_U95 : float
        Half-width of the 95 % interval of the ratio of both scans' scales (0.001 for 0.1 %).

    Returns
    -------
    MeasuredScale

    Raises
    ------
    ComparisonError
        If columns are missing or fewer than 4 features are shared.
    """
    needed = ["feature_id", "x_mm", "y_mm", "x_dev_mm", "y_dev_mm"]
    for name, frame in (("before", before), ("after", after)):
        missing = [c for c in needed if c not in frame]
        if missing:
            raise ComparisonError(f"readings {name}: {', '.join(missing)} missing; a change of scale needs positions.")
    both = (
        before[needed]
        .groupby("feature_id")
        .mean()
        .merge(after[needed].groupby("feature_id").mean(), left_index=True, right_index=True, suffixes=("", "_2"))
        .dropna()
    )
    if len(both) < 4:
        raise ComparisonError(
            f"only {len(both)} features were found in both readings; a change of scale needs 4 or more."
        )
    start = np.column_stack([both["x_mm"] + both["x_dev_mm"], both["y_mm"] + both["y_dev_mm"]])
    end = np.column_stack([both["x_mm_2"] + both["x_dev_mm_2"], both["y_mm_2"] + both["y_dev_mm_2"]])
    design = np.column_stack([np.ones(len(start)), start])
    if np.linalg.matrix_rank(design) < 3:
        raise ComparisonError(
            "the shared features lie on one line, so both axes cannot be told apart. Use more features."
        )
    inverse = np.linalg.inv(design.T @ design)
    t = float(stats.t.ppf(0.975, len(start) - 3))
    found: dict[str, tuple[float, float]] = {}
    matrix = np.empty((2, 2))
    for axis in (0, 1):
        coefficients = inverse @ design.T @ end[:, axis]
        rest = end[:, axis] - design @ coefficients
        sd = math.sqrt(float(rest @ rest) / (len(start) - 3))
        matrix[axis] = coefficients[1:]
        found["xy"[axis]] = (0.0, t * sd * math.sqrt(inverse[axis + 1, axis + 1]))
    # Column lengths of the affine part: a turned scan does not pass for a change of scale.
    scale_x, scale_y = float(np.hypot(*matrix[:, 0])), float(np.hypot(*matrix[:, 1]))
    return MeasuredScale(
        scale_x=scale_x,
        scale_y=scale_y,
        U95_x=math.hypot(found["x"][1], scale_U95),
        U95_y=math.hypot(found["y"][1], scale_U95),
        n=len(both),
        span_x_mm=float(np.ptp(start[:, 0])),
        span_y_mm=float(np.ptp(start[:, 1])),
    )


def usual_shrinkage_percent() -> Mapping[str, tuple[float, float]]:
    """Return usual linear shrinkages by mould or casting material, in percent (trade figures, for orientation only)."""
    return {
        "addition-cure room-temperature silicone mould": (0.0, 0.1),
        "condensation-cure room-temperature silicone mould": (0.2, 1.0),
        "heat-cured silicone mould": (2.0, 4.0),
        "vulcanised organic rubber mould": (0.0, 4.0),
        "tin-base white metal casting": (0.45, 0.55),
        "polyurethane resin casting": (0.1, 0.6),
    }
