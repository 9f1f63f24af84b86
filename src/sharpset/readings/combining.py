"""Several scans of one piece put together: turned ones tell the shade of a lamp and the scale of each axis.

A lamp on one side of the glass shades the edges that face away from it, so that slots across its direction
read too wide and bars too narrow (or the other way round) by a shift s. Turned by a quarter, the same
features lie along the lamp's direction and are not shaded: the two scans measure s. Turned by half a turn
the other edges are shaded and every width is off by the same s; where the pieces lie against each other
is found from the same edges, so that their places cannot tell s either. What tells it then is the spread
of the edges: those facing away from the lamp are blurred more, in both scans, whichever way the piece
lies. Sizes of single scans come corrected by it; here the corrections are put back first, and all scans
of one scanner together tell one shift.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import ReadingError
from sharpset.readings.quantity import Quantity
from sharpset.readings.results import PieceReading, ScanReading, is_refused
from sharpset.readings.shade.shading import common_shift_mm, of_one_lamp
from sharpset.readings.uncertainty.contributions import CONTRIBUTION_COLUMNS, totals
from sharpset.readings.uncertainty.joint_fit import JointFit, fit_jointly
from sharpset.readings.uncertainty.one_error import one_error
from sharpset.readings.uncertainty.values import growths
from sharpset.refusals import says_nothing

__all__ = ["Combine", "combine_pieces", "combine_readings", "turn_between_deg"]

FloatArray = NDArray[np.float64]
Combine = Literal["auto", "yes", "no"]
_LEAST_TURN_DEG = 45.0
_PERSISTENT = ("contrast", "blur", "roughness")
"""Private lines that a feature takes with it from scan to scan: more scans do not average them."""
_SHADOWS = ("shadow x", "shadow y")
_SCALES = ("scale x", "scale y")
_TURNING = (*_SHADOWS, *_SCALES)
"""Lines that change sizes otherwise when the piece is turned, so that several scans tell them."""
_SAME_SCALE = 3e-4
"""By how much the mean scale of a piece may differ between two scans of one scanner, relative (drift with temperature;
common practice). Turned or not, a scanner makes a piece as large in area."""
_EVIDENT = 1.5
"""Uncertainties from which on a shift of shaded edges is worth a remark."""
_K = 1.96
_SEPARATOR = "+"


def turn_between_deg(a: PieceReading, b: PieceReading) -> float:
    """Return by how much the piece was turned on the glass between two scans, 0 to 180 degrees."""
    return float(abs((a.pose.angle_deg - b.pose.angle_deg + 180.0) % 360.0 - 180.0))


def combine_readings(
    readings: Sequence[ScanReading], *, combine: Combine = "auto", separate: bool = False
) -> list[ScanReading]:
    """Put together what several scans say of the same pieces.

    Parameters
    ----------
    readings : sequence of ScanReading
    combine : {'auto', 'yes', 'no'}
        'auto' puts scans of one run together if the piece was turned by 45 degrees or more between two of them; 'yes'
        all scans of one run, and those whose code could not be read with the only run there is; 'no' none.
    separate : bool
        Keep the readings of each scan as well.

    Returns
    -------
    list of ScanReading
        Combined ones carry the ids of their scans joined by '+'; all others are left as they are.

    Raises
    ------
    ReadingError
        With 'yes', if two pieces in one scan have the same run, or it is not clear which run an unread code means.
    """
    if combine == "no":
        return list(readings)
    pieces = [(k, piece) for k, reading in enumerate(readings) for piece in reading.pieces]
    groups = _groups(pieces, combine)
    taken = {id(piece) for group in groups for _, piece in group}
    out: list[ScanReading] = []
    for k, reading in enumerate(readings):
        for group in groups:
            if group[0][0] == k:
                out.append(_combined_scan([readings[i] for i, _ in group], [piece for _, piece in group]))
        rest = tuple(piece for piece in reading.pieces if separate or id(piece) not in taken)
        if rest:
            out.append(replace(reading, pieces=rest))
    return out


_Member = tuple[int, PieceReading]


def _groups(pieces: list[_Member], combine: Combine) -> list[list[_Member]]:
    by_run: dict[tuple[str, str], list[_Member]] = {}
    for k, piece in pieces:
        by_run.setdefault((piece.piece_id, piece.run_id), []).append((k, piece))
    if combine == "yes":
        by_run = _with_unread(by_run)
    groups = []
    for (_, run), members in by_run.items():
        scans = [k for k, _ in members]
        if len(members) < 2 or (combine == "auto" and (not run or len(set(scans)) < len(scans))):
            continue
        if len(set(scans)) < len(scans):
            raise ReadingError(
                f"scan {members[0][1].scan_id} shows more than one piece of run {run or '?'}; "
                "scans of one piece are combined. Give each print a run code of its own, or read with --combine no."
            )
        turns = [turn_between_deg(a, b) for i, (_, a) in enumerate(members) for _, b in members[i + 1 :]]
        alike = len({piece.pose.mirrored for _, piece in members}) == 1
        if combine == "yes" or (alike and max(turns) >= _LEAST_TURN_DEG):
            groups.append(members)
    return groups


def _with_unread(by_run: dict[tuple[str, str], list[_Member]]) -> dict[tuple[str, str], list[_Member]]:
    """Give pieces whose code was not read to the only run that there is of their kind."""
    out = {key: list(members) for key, members in by_run.items() if key[1]}
    for (piece_id, run), members in by_run.items():
        if run:
            continue
        known = [key for key in out if key[0] == piece_id]
        if len(known) > 1:
            raise ReadingError(
                f"scan {members[0][1].scan_id}: the run code cannot be read, and the other scans show runs "
                f"{', '.join(key[1] for key in known)}. Combine the scans of each run by themselves."
            )
        out.setdefault(known[0] if known else (piece_id, ""), []).extend(members)
    return out


def _combined_scan(readings: list[ScanReading], pieces: list[PieceReading]) -> ScanReading:
    combined = combine_pieces(pieces)
    remarks = dict.fromkeys(remark for reading in readings for remark in reading.remarks)
    return ScanReading(
        scan_id=combined.scan_id,
        path=readings[0].path,
        pieces=(combined,),
        remarks=tuple(remarks),
    )


def combine_pieces(pieces: Sequence[PieceReading]) -> PieceReading:
    """Put readings of one piece in several scans together.

    Parameters
    ----------
    pieces : sequence of PieceReading
        Two or more, of one piece.

    Returns
    -------
    PieceReading
        Sizes by weights of the private uncertainties, shared errors fitted where turns tell them; places and
        roughness averaged over the scans that were used. ``formed`` is what most scans say, those that refused a
        feature as dim or askew saying 'partly'; where as many say yes as no it is 'partly'. Flags tell of scans that
        disagree or were left out. Pose, blur and picture are those of the first scan.

    Raises
    ------
    ReadingError
        If there are fewer than two, or they are of different pieces.
    """
    kinds = {piece.piece_id for piece in pieces}
    if len(pieces) < 2 or len(kinds) > 1:
        raise ReadingError(f"{len(pieces)} readings of {len(kinds)} piece(s) cannot be combined; give two of one piece")
    names = pieces[0].table["feature_id"].tolist()
    tables = [piece.table.set_index("feature_id").loc[names].reset_index() for piece in pieces]
    formed, agreed = _formed(tables)
    remarks = [remark for piece in pieces for remark in piece.remarks if "again turned by a quarter" not in remark]
    found, taken = _effects(pieces, names)
    keys, effects, mean, notes = _with_lamps(pieces, found)
    block = {c: np.column_stack([t[c].to_numpy(float) for t in tables]) for c in ("measured_mm", "u_private_mm")}
    same = np.column_stack([(t["formed"] == formed).to_numpy() & ~is_refused(t) for t in tables])
    usable = np.where(same.any(axis=1, keepdims=True), same, True) & (formed != "no").to_numpy()[:, None]
    doubt = _doubt(tables, pieces, names)
    fit = fit_jointly(
        np.where(usable, block["measured_mm"] + taken, np.nan),
        block["u_private_mm"],
        effects,
        prior_mean=mean,
        prior_sd=np.ones(len(keys)),
        doubt=doubt,
    )
    scan_id = _SEPARATOR.join(piece.scan_id for piece in pieces)
    lines = _lines(pieces, names, fit, keys)
    table = _table(pieces[0].table, tables, fit, formed, agreed, lines, scan_id)
    return replace(
        pieces[0],
        scan_id=scan_id,
        run_id=next((piece.run_id for piece in pieces if piece.run_id), ""),
        table=table,
        quantities=_quantities(pieces) | growths(table, _stretch(pieces, table)),
        remarks=tuple(dict.fromkeys([*remarks, *notes])),
        contributions=lines,
    )


def _formed(tables: list[pd.DataFrame]) -> tuple[pd.Series, NDArray[np.bool_]]:
    words = np.column_stack([table["formed"].to_numpy(dtype=object) for table in tables])
    # A feature that a scan refused to read says nothing there, unless it was refused for what it is itself.
    silent = np.column_stack([says_nothing(table["flags"]).to_numpy() for table in tables])
    words = np.where(silent, "", words)
    counts = {word: np.sum(words == word, axis=1) for word in ("yes", "partly", "no")}
    most = np.max(list(counts.values()), axis=0)
    tied = np.sum([count == most for count in counts.values()], axis=0) > 1
    winner = np.select([counts[word] == most for word in counts], list(counts), default="partly")
    found = np.where(tied, "partly", winner)
    return pd.Series(found), np.asarray(most == np.maximum(np.sum(~silent, axis=1), 1))


def _doubt(tables: list[pd.DataFrame], pieces: Sequence[PieceReading], names: list[str]) -> FloatArray:
    """Return how doubtful each reading is: misfit of its fit, dirt, and how odd it is among its kind."""
    columns = []
    for table, piece in zip(tables, pieces, strict=True):
        misfit = piece.contributions[piece.contributions["line"] == "misfit"].groupby("feature_id")["u_mm"].sum()
        odd = np.zeros(len(table))
        for kind in table["kind"].unique():
            own = (table["kind"] == kind).to_numpy()
            deviation = table.loc[own, "deviation_mm"].to_numpy(float)
            centre = np.nanmedian(deviation) if np.isfinite(deviation).any() else 0.0
            spread = max(1.4826 * float(np.nanmedian(np.abs(deviation - centre))), 1e-3) if len(deviation) else 1e-3
            odd[own] = np.nan_to_num(np.abs(deviation - centre) / spread)
        dirty = table["flags"].str.contains("dirty").to_numpy(dtype=float)
        columns.append(1.0 + odd + 3.0 * dirty + misfit.reindex(names).fillna(0.0).to_numpy() / 0.0005)
    return np.column_stack(columns)


def _one_scanner(pieces: Sequence[PieceReading]) -> bool:
    """Judge by pixels, blur and ground whether all scans may be from one scanner."""
    if len({piece.shade.plate_is_bright for piece in pieces if piece.shade is not None}) > 1:
        return False
    pixels = np.array([piece.pose.pixel_mm for piece in pieces])
    blur = np.array([[piece.edge_spread.sigma_x_mm, piece.edge_spread.sigma_y_mm] for piece in pieces])
    # Corrections of a scale differ from place to place on the glass by a part in a thousand.
    same_pixels = np.all(np.ptp(pixels, axis=0) < 3e-3 * pixels[0])
    return bool(same_pixels and np.all(np.ptp(blur, axis=0) < 0.15 * blur.min(axis=0)))


def _one_scale(pieces: Sequence[PieceReading]) -> bool:
    """Judge by the piece's area whether scans have one scale."""
    size = np.array([np.log(piece.pose.scale_x * piece.pose.scale_y) / 2 for piece in pieces])
    return bool(np.ptp(size) < _SAME_SCALE)


_Key = tuple[str, str, int]


def _effects(pieces: Sequence[PieceReading], names: list[str]) -> tuple[dict[_Key, FloatArray], FloatArray]:
    """Return the effects of shared errors on every reading by their keys, and what scans took off for them apart."""
    one_scanner = _one_scanner(pieces)
    found: dict[_Key, FloatArray] = {}
    taken = np.zeros((len(names), len(pieces)))
    shades = [piece.shade for piece in pieces if piece.shade is not None]
    one = {line: one_scanner and of_one_lamp(shades, axis) for axis, line in enumerate(_SHADOWS)}
    one |= dict.fromkeys(_SCALES, one_scanner and _one_scale(pieces))
    shared = _of_shared(pieces, names)
    for (line, whose), errors in shared.items():
        if whose == "scanner" and line not in _SHADOWS and one.get(line, one_scanner):
            effect, off = _as_one(line, errors)
            if effect is not None:
                found[line, whose, -1] = effect
                taken += off
                continue
        for k in range(len(pieces)):
            key = (line, whose, -1 if whose == "scanner" and line in _SHADOWS and one[line] else k)
            found.setdefault(key, np.zeros((len(names), len(pieces))))[:, k] = errors.effect[:, k]
        if line in _SHADOWS and len(shades) == len(pieces):
            # What each scan took off for itself is known here, so that the lamp's shade is one error all the same.
            taken += errors.per_error * errors.taken
    return found, taken


@dataclass(frozen=True)
class _Shared:
    """A line of several scans: effects on n features in m scans, mm, and what each scan knows of the error."""

    effect: FloatArray
    u: FloatArray
    taken: FloatArray

    @property
    def per_error(self) -> FloatArray:
        """Change of sizes per unit of the error."""
        return np.asarray(self.effect / np.where(self.u > 0, self.u, 1.0))


def _of_shared(pieces: Sequence[PieceReading], names: list[str]) -> dict[tuple[str, str], _Shared]:
    """Return the lines that readings of a scan share, by name and by what shares them."""
    found: dict[tuple[str, str], _Shared] = {}
    blank = np.zeros((len(names), len(pieces))), np.zeros(len(pieces)), np.zeros(len(pieces))
    for k, piece in enumerate(pieces):
        common = piece.contributions[piece.contributions["shared"] != "no"]
        signed = common.assign(effect=common["sign"] * common["u_mm"])
        for (line, whose), part in signed.groupby(["line", "shared"]):
            one = found.setdefault((str(line), str(whose)), _Shared(*(array.copy() for array in blank)))
            one.effect[:, k] = part.groupby("feature_id")["effect"].sum().reindex(names).fillna(0.0).to_numpy()
            known = part[["u_error", "taken"]].median() if part["u_error"].notna().any() else None
            # Where nothing is known of the error, sizes tell how unsure a scan is of it beside the others.
            one.u[k] = np.sqrt(np.mean(one.effect[:, k] ** 2)) if known is None else known["u_error"]
            one.taken[k] = 0.0 if known is None else known["taken"]
    return found


def _as_one(line: str, errors: _Shared) -> tuple[FloatArray | None, FloatArray]:
    """Return the effects of an error that all scans share and what each took off beyond the mean, if it is one.

    Whichever way the piece lies, a scanner's curve, walls and edges change a feature alike: where the effects differ
    from scan to scan that is scatter, which would be taken for what tells the error.
    """
    scans = errors.u > 0
    is_one, u_one, beyond = one_error(line, errors.u[scans], errors.taken[scans])
    if not is_one:
        return None, np.zeros_like(errors.effect)
    per_error = errors.per_error
    if line not in _TURNING:
        seen = per_error != 0
        mean = per_error.sum(axis=1) / np.maximum(seen.sum(axis=1), 1)
        per_error = np.where(seen, mean[:, None], 0.0)
    off = np.zeros(len(errors.u))
    off[scans] = beyond
    return per_error * u_one, per_error * off


def _with_lamps(
    pieces: Sequence[PieceReading], found: dict[_Key, FloatArray]
) -> tuple[list[_Key], FloatArray, FloatArray, list[str]]:
    """Return keys, effects per standard uncertainty, prior means in those units, and remarks."""
    keys, mean = list(found), np.zeros(len(found))
    notes: list[str] = []
    shades = [piece.shade for piece in pieces if piece.shade is not None]
    if len(shades) < len(pieces):
        return keys, np.stack(list(found.values()), axis=-1), mean, notes
    for at, (line, _, who) in enumerate(keys):
        if line not in _SHADOWS:
            continue
        axis = _SHADOWS.index(line)
        if who >= 0:
            sign = 1.0 if shades[who].plate_is_bright else -1.0
            mean[at] = sign * shades[who].taken_mm(axis) / shades[who].u_shift_mm(axis)
            continue
        # One lamp, one shift: what each scan made of it is replaced by what all of them say.
        shift, u = common_shift_mm(shades, axis)
        found[keys[at]] = found[keys[at]] * u / [shade.u_shift_mm(axis) for shade in shades]
        mean[at] = shift / u
        if abs(shift) > _EVIDENT * u and not _quarter_turned(pieces):
            notes.append(
                f"the shift of shaded edges, {1000 * shift:.1f} um by their spread, was taken off; a scan turned by a "
                "quarter would measure it"
            )
    return keys, np.stack([found[key] for key in keys], axis=-1), mean, notes


def _quarter_turned(pieces: Sequence[PieceReading]) -> bool:
    turns = [turn_between_deg(a, b) for i, a in enumerate(pieces) for b in pieces[i + 1 :]]
    return any(30.0 <= turn <= 150.0 for turn in turns)


def _lines(pieces: Sequence[PieceReading], names: list[str], fit: JointFit, keys: list[_Key]) -> pd.DataFrame:
    """Return the lines of the combined budgets."""
    weight = np.nan_to_num(fit.weight)
    own: dict[str, FloatArray] = {}
    for k, piece in enumerate(pieces):
        private = piece.contributions[piece.contributions["shared"] == "no"]
        for line, part in private.groupby("line"):
            square = (part["u_mm"] ** 2).groupby(part["feature_id"]).sum().reindex(names).fillna(0.0).to_numpy()
            share = weight[:, k] if line in _PERSISTENT else weight[:, k] ** 2
            own[str(line)] = own.get(str(line), np.zeros(len(names))) + share * square
    rows = [(line, np.sqrt(square), "no", np.ones(len(names))) for line, square in own.items()]
    rows.append(("misfit", fit.excess_mm, "no", np.ones(len(names))))
    for j, (line, shared, _) in enumerate(keys):
        effect = fit.common_mm[:, j]
        rows.append((line, np.abs(effect), shared, np.where(effect < 0, -1, 1)))
    frames = [
        pd.DataFrame({"feature_id": names, "line": line, "u_mm": u, "shared": shared, "sign": sign.astype(int)})
        for line, u, shared, sign in rows
    ]
    table = pd.concat(frames, ignore_index=True)
    measured = [name for name, size in zip(names, fit.size_mm, strict=True) if np.isfinite(size)]
    kept = table[table["feature_id"].isin(measured) & ((table["u_mm"] > 0) | (table["line"] == "noise"))]
    # What is left of the shared errors is a mixture of them, of which no single one is known.
    return kept.reindex(columns=list(CONTRIBUTION_COLUMNS)).reset_index(drop=True)


def _table(
    like: pd.DataFrame,
    tables: list[pd.DataFrame],
    fit: JointFit,
    formed: pd.Series,
    agreed: NDArray[np.bool_],
    lines: pd.DataFrame,
    scan_id: str,
) -> pd.DataFrame:
    u = totals(lines, tables[0]["feature_id"].tolist()).to_numpy(float)
    used = np.nan_to_num(fit.weight) > 0
    flags = []
    for i in range(len(formed)):
        words = dict.fromkeys(
            word
            for k, table in enumerate(tables)
            if used[i, k] or not used[i].any()
            for word in str(table["flags"].iloc[i]).split(";")
            if word
        )
        flags.append(
            ";".join(
                [*words]
                + ["scans disagree"] * bool(fit.disagree[i] or not agreed[i])
                + ["one scan left out"] * bool(fit.left_out[i])
            )
        )
    joined = tables[0].assign(
        scan_id=scan_id,
        formed=formed.to_numpy(),
        measured_mm=fit.size_mm,
        u_private_mm=u[:, 0],
        u_common_mm=u[:, 1],
        U95_mm=_K * np.hypot(u[:, 0], u[:, 1]),
        deviation_mm=fit.size_mm - tables[0]["nominal_mm"].to_numpy(float),
        x_dev_mm=_mean(tables, "x_dev_mm", used),
        y_dev_mm=_mean(tables, "y_dev_mm", used),
        edge_roughness_mm=np.sqrt(_mean(tables, "edge_roughness_mm", used, power=2)),
        confidence=np.where(
            agreed, np.max([t["confidence"] for t in tables], axis=0), np.min([t["confidence"] for t in tables], axis=0)
        ),
        share=_mean(tables, "share", np.ones_like(used)),
        flags=flags,
    )
    return joined[list(like.columns)]


def _mean(tables: list[pd.DataFrame], column: str, used: NDArray[np.bool_], *, power: int = 1) -> FloatArray:
    values = np.column_stack([table[column].to_numpy(float) for table in tables]) ** power
    known = used & np.isfinite(values)
    count = known.sum(axis=1)
    return np.where(count > 0, np.sum(np.where(known, values, 0.0), axis=1) / np.maximum(count, 1), np.nan)


def _stretch(pieces: Sequence[PieceReading], table: pd.DataFrame) -> FloatArray:
    """Return the length on the plate of a nominal millimetre across each feature."""
    x, y = (float(np.mean([getattr(piece.pose, name) for piece in pieces])) for name in ("scale_x", "scale_y"))
    angle = np.radians(table["angle_deg"].to_numpy(float))
    across = 1 / np.hypot(np.sin(angle) / x, np.cos(angle) / y)
    return np.asarray(np.where(table["kind"].isin(("slot", "bar")), across, np.sqrt(x * y)))


def _quantities(pieces: Sequence[PieceReading]) -> dict[str, Quantity]:
    """Return means of the scans' values; their uncertainty is not taken to shrink, as most of it is shared."""
    found = {}
    for name, first in pieces[0].quantities.items():
        each = [piece.quantities[name] for piece in pieces if name in piece.quantities]
        good = [quantity for quantity in each if np.isfinite(quantity.value)]
        if not good:
            found[name] = first
            continue
        known = [quantity.U95 for quantity in good if np.isfinite(quantity.U95)]
        found[name] = replace(
            first,
            value=float(np.mean([quantity.value for quantity in good])),
            U95=float(np.mean(known)) if known else float("nan"),
            n=max(quantity.n for quantity in good),
        )
    return found
