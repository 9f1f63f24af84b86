"""A small check piece printed again and again: does the printer drift, and must a recipe be proven again?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from sharpset.comparison.charts import LEAST_BASELINE, EwmaChart, IndividualsChart, chart_ewma, chart_individuals
from sharpset.comparison.run_lengths import RULES, chance_of_signal
from sharpset.comparison.tables import check_readings, keep_ladders, merge_scans
from sharpset.errors import ComparisonError

__all__ = ["DriftChart", "DriftStudy", "check_responses", "study_drift"]

RESPONSES = ("width_deviation_mm", "edge_roughness_mm", "formed_share")
"""What is followed of a check piece: mean deviation by kind, mean edge roughness, share of features that formed."""


_YEARS = (1990, 2100)
_PROVEN, _NOT_PROVEN = ("yes", "true", "1", "1.0"), ("", "no", "false", "0", "0.0")


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class DriftChart:
    """Both charts of one response of one printer and material.

    ``printer, material, response``: what is followed; ``runs``: print jobs in time order; ``baseline``: how many of
    them set the limits; ``false_alarm_20``: chance that either chart signals without cause within the next 20 prints,
    limits from that baseline (simulated).
    """

    printer: str
    material: str
    response: str
    runs: tuple[str, ...]
    baseline: int
    individuals: IndividualsChart
    ewma: EwmaChart
    false_alarm_20: float

    @property
    def signals(self) -> pd.DataFrame:
        """Print jobs after the baseline at which a chart signals: ``run_id, index, chart, signal``."""
        rows = []
        for name, chart in (("individuals", self.individuals), ("EWMA", self.ewma)):
            for row in chart.signals.itertuples():
                if row.index > self.baseline:
                    rows.append((self.runs[int(row.index) - 1], int(row.index), name, row.signal))
        rows.sort(key=lambda row: row[1])
        return pd.DataFrame(rows, columns=["run_id", "index", "chart", "signal"])

    def summary(self) -> str:
        """Return the chart in one line."""
        found = self.signals
        where = f"signal at print {found['run_id'].iloc[0]} ({found['signal'].iloc[0]})" if len(found) else "steady"
        return f"{self.printer}, {self.material}, {self.response}: {where}; {len(self.runs)} prints"

    def to_frame(self) -> pd.DataFrame:
        """Return a row per print: value, average, limits, signals."""
        points = self.individuals.points.rename(columns={"signal": "signal_individuals"})
        other = self.ewma.points[["average", "lower", "upper", "signal"]]
        points = points.join(
            other.rename(columns={"lower": "ewma_lower", "upper": "ewma_upper", "signal": "signal_ewma"})
        )
        points.insert(0, "run_id", list(self.runs))
        return points.assign(printer=self.printer, material=self.material, response=self.response)

    def _repr_html_(self) -> str:
        return f"<p>{self.summary()}</p>{self.to_frame().to_html(index=False)}"


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class DriftStudy:
    """All charts of a check piece, and what to do.

    Attributes
    ----------
    charts : tuple of DriftChart
    verdict : DataFrame
        ``printer, material, n_prints, prove_again, reasons, last_run_id``.
    skipped : tuple of str
        Printers and materials with too few prints to chart.
    """

    charts: tuple[DriftChart, ...]
    verdict: pd.DataFrame
    skipped: tuple[str, ...]

    def summary(self) -> str:
        """Return the outcome in one line."""
        again = self.verdict[self.verdict["prove_again"]]
        if again.empty:
            return f"{len(self.verdict)} printer and material pairs steady, nothing needs to be proven again"
        names = "; ".join(f"{r.printer} with {r.material}: {r.reasons}" for r in again.itertuples())
        return f"prove again: {names}"

    def to_frame(self) -> pd.DataFrame:
        """Return the verdicts."""
        return self.verdict.copy()

    def _repr_html_(self) -> str:
        return f"<p>{self.summary()}</p>{self.verdict.to_html(index=False)}"


def check_responses(readings: pd.DataFrame, *, name: str = "check pieces") -> pd.DataFrame:
    """Reduce readings of check pieces to one row per print job.

    Parameters
    ----------
    readings : DataFrame
        Readings table; repeated scans of a print are averaged.

    Returns
    -------
    DataFrame
        ``run_id, formed_share, edge_roughness_mm`` and ``width_deviation_mm`` over all kinds as well as
        ``width_deviation_mm:<kind>`` by kind, features of equal weight, only those that formed on every print.
    """
    frame = check_readings(readings, name=name)
    if (frame["run_id"] == "").any():
        raise ComparisonError(
            f"{name}: some readings have no run_id. Fill in the column run_id, one name per print job."
        )
    frame = merge_scans(keep_ladders(frame))
    order = list(dict.fromkeys(frame["run_id"]))
    keys = ["piece_id", "feature_id"]
    frame["yes"] = (frame["formed"] == "yes").astype(float)
    always = frame.groupby(keys, sort=False)["yes"].transform("sum") == len(order)
    kept = frame[always & np.isfinite(frame["deviation_mm"])]
    out = pd.DataFrame(index=pd.Index(order, name="run_id"))
    out["formed_share"] = frame.groupby("run_id")["yes"].mean()
    out["width_deviation_mm"] = kept.groupby("run_id")["deviation_mm"].mean()
    for kind, part in kept.groupby("kind"):
        out[f"width_deviation_mm:{kind}"] = part.groupby("run_id")["deviation_mm"].mean()
    if "edge_roughness_mm" in frame:
        out["edge_roughness_mm"] = kept.groupby("run_id")["edge_roughness_mm"].mean()
    return out.reset_index()


def study_drift(
    readings: pd.DataFrame,
    *,
    prints: pd.DataFrame,
    tolerance_mm: float,
    responses: Sequence[str] = ("width_deviation_mm", "edge_roughness_mm", "formed_share"),
    n_baseline: int | None = None,
    rules: Sequence[str] = tuple(RULES)[:2],
    weight: float = 0.2,
    sigmas: float = 2.962,
    prove_after_prints: int | None = None,
    prove_after_days: float | None = None,
) -> DriftStudy:
    """Chart a check piece over time, per printer and material, and say when a recipe must be proven again.

    Parameters
    ----------
    readings : DataFrame
        Readings of the check pieces, one ``run_id`` per print.
    prints : DataFrame
        ``run_id, printed_at`` (date or time), optionally ``printer``, ``material``, ``changed`` (what was changed
        before this print: lot, nozzle, film, firmware; empty if nothing) and ``proven`` (yes where the recipe was
        proven by this print; the limits are then taken from there on).
    tolerance_mm : float
        Largest acceptable deviation of a width from where it was when the recipe was proven (mm).
    responses : sequence of str
        Columns of `check_responses` to chart.
    n_baseline : int, optional
        Prints, from the proof on, that set the limits; 12 or, with fewer prints, all of them, at least 8.
    rules, weight, sigmas
        Of both charts, see `chart_individuals` and `chart_ewma`.
    prove_after_prints, prove_after_days : optional
        Prove again after so many check pieces, or so many days, in any case.

    Returns
    -------
    DriftStudy

    Notes
    -----
    A recipe must be proven again where a chart signals after its baseline; where the latest average of a width is more
    than the tolerance from its centre; where something was changed after the proof; where the limits on prints or days
    are over. Several charts at once raise more false alarms than one: the run lengths hold for each alone.
    """
    for words, limit in (("prints", prove_after_prints), ("days", prove_after_days)):
        if limit is not None and not 0 < limit < math.inf:
            raise ComparisonError(f"prove again after {limit:g} {words}: give a number above 0.")
    if n_baseline is not None and n_baseline < LEAST_BASELINE:
        raise ComparisonError(f"{n_baseline} prints cannot set limits; give {LEAST_BASELINE} or more.")
    if not tolerance_mm > 0:
        raise ComparisonError(f"the tolerance is {tolerance_mm!r} mm; give a size above 0 mm.")
    table = _join_prints(check_responses(readings), prints)
    charts, rows, skipped = [], [], []
    for (printer, material), mine in table.groupby(["printer", "material"], sort=False):
        since = _since_proof(mine)
        if len(since) < LEAST_BASELINE:
            skipped.append(
                f"{printer}, {material}: {len(since)} prints since the proof, at least {LEAST_BASELINE} needed"
            )
            here: list[DriftChart] = []
        else:
            here = _charts_of(
                since,
                names=(str(printer), str(material)),
                responses=responses,
                n_baseline=n_baseline or min(12, len(since)),
                rules=rules,
                weight=weight,
                sigmas=sigmas,
            )
        charts += here
        reasons = _reasons(since, here, tolerance_mm=tolerance_mm, prints=prove_after_prints, days=prove_after_days)
        rows.append(
            {
                "printer": printer,
                "material": material,
                "n_prints": len(since),
                "prove_again": bool(reasons),
                "reasons": "; ".join(reasons),
                "last_run_id": since["run_id"].iloc[-1],
            }
        )
    return DriftStudy(charts=tuple(charts), verdict=pd.DataFrame(rows), skipped=tuple(skipped))


def _join_prints(responses: pd.DataFrame, prints: pd.DataFrame) -> pd.DataFrame:
    table = prints.rename(columns=lambda c: str(c).strip())
    missing = [c for c in ("run_id", "printed_at") if c not in table]
    if missing:
        raise ComparisonError(
            f"the table of prints lacks {', '.join(missing)}. Give run_id and printed_at for each print."
        )
    table = table.assign(run_id=table["run_id"].map(lambda v: f"{v:g}" if isinstance(v, float) else str(v).strip()))
    dates = pd.to_datetime(table["printed_at"], utc=True, format="ISO8601", errors="coerce")
    wrong = ~dates.dt.year.between(*_YEARS)
    if wrong.any():
        row = int(np.flatnonzero(wrong.to_numpy())[0])
        got = table["printed_at"].iloc[row]
        raise ComparisonError(
            f"the column printed_at, row {row + 1}: {'' if pd.isna(got) else str(got)!r} is no date. "
            "Write dates as 2026-03-31 or 2026-03-31T14:05."
        )
    table["printed_at"] = dates
    for column, default in (("printer", "printer"), ("material", "material"), ("changed", ""), ("proven", "")):
        if column in table:
            table[column] = table[column].astype(object).where(table[column].notna(), "").astype(str).str.strip()
        else:
            table[column] = default
    odd = ~table["proven"].str.lower().isin([*_PROVEN, *_NOT_PROVEN])
    if odd.any():
        raise ComparisonError(
            f"the column proven holds {table.loc[odd, 'proven'].iloc[0]!r}. Write yes for the print that proved the "
            "recipe, and leave the others empty."
        )
    unknown = sorted(set(responses["run_id"]) - set(table["run_id"]))
    if unknown:
        raise ComparisonError(f"print {unknown[0]} has readings but no date. Add it to the table of prints.")
    if table["run_id"].duplicated().any():
        raise ComparisonError(
            f"print {table.loc[table['run_id'].duplicated(), 'run_id'].iloc[0]} is listed twice. Keep one."
        )
    return responses.merge(table, on="run_id", how="left").sort_values("printed_at", kind="stable")


def _since_proof(mine: pd.DataFrame) -> pd.DataFrame:
    proven = np.flatnonzero(mine["proven"].str.lower().isin(_PROVEN).to_numpy())
    return mine.iloc[proven[-1] :] if proven.size else mine


def _charts_of(
    since: pd.DataFrame,
    *,
    names: tuple[str, str],
    responses: Sequence[str],
    n_baseline: int,
    rules: Sequence[str],
    weight: float,
    sigmas: float,
) -> list[DriftChart]:
    out = []
    for response in responses:
        if response not in since:
            continue
        known = since[np.isfinite(since[response].to_numpy(float))]
        values = known[response].to_numpy(float)
        # A response that never varies, such as everything formed on every print, has no limits to draw.
        if values.size < LEAST_BASELINE or not np.ptp(values[:n_baseline]) > 0:
            continue
        out.append(
            DriftChart(
                printer=names[0],
                material=names[1],
                response=response,
                runs=tuple(known["run_id"]),
                baseline=min(n_baseline, values.size),
                individuals=chart_individuals(values, n_baseline=n_baseline, rules=rules),
                ewma=chart_ewma(values, n_baseline=n_baseline, weight=weight, sigmas=sigmas),
                false_alarm_20=chance_of_signal(20, n_baseline=n_baseline, rules=rules, weight=weight, sigmas=sigmas),
            )
        )
    return out


def _reasons(
    since: pd.DataFrame, charts: Sequence[DriftChart], *, tolerance_mm: float, prints: int | None, days: float | None
) -> list[str]:
    out = []
    for chart in charts:
        found = chart.signals
        if len(found):
            first = found.iloc[0]
            out.append(f"{chart.response} signals at print {first['run_id']} ({first['chart']}: {first['signal']})")
        moved = float(chart.ewma.points["average"].iloc[-1]) - chart.ewma.centre
        if chart.response.startswith("width") and abs(moved) > tolerance_mm:
            out.append(f"{chart.response} has moved by {moved:+.3f} mm, more than the tolerance of {tolerance_mm:g} mm")
    changed = since.iloc[1:]
    changed = changed[changed["changed"] != ""]
    if len(changed):
        row = changed.iloc[-1]
        out.append(f"changed before print {row['run_id']}: {row['changed']}")
    if prints is not None and len(since) > prints:
        out.append(f"{len(since)} check pieces since the proof, more than {prints}")
    age = (since["printed_at"].iloc[-1] - since["printed_at"].iloc[0]).total_seconds() / 86400
    if days is not None and math.isfinite(age) and age > days:
        out.append(f"{age:.0f} days since the proof, more than {days:g}")
    return out
