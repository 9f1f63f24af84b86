"""Photographs of a piece in a photo frame: perspective and lens distortion removed, sizes in millimetres."""

from __future__ import annotations

import html
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import ScanError
from sharpset.files import whole_file
from sharpset.scans.camera import fit_camera
from sharpset.scans.developing import as_sensors_saw, develop
from sharpset.scans.encoding import LINEAR
from sharpset.scans.frame import N_MODULES, PhotoFrame
from sharpset.scans.frame_ground import check_ground
from sharpset.scans.frame_view import FEWEST_MARKERS, view_of_frame
from sharpset.scans.opening import open_scan
from sharpset.scans.pinhole import CameraFit, PlaneView
from sharpset.scans.resampling import combine_window
from sharpset.scans.scale_note import ScaleNote, read_note, write_note
from sharpset.scans.scan import PixelSize, Scan, scan_from_pixels
from sharpset.scans.tags import LOWEST_SCAN_DPI
from sharpset.scans.viewing import Viewing, Viewpoint

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["RectifiedPhoto", "as_tiff", "rectify_photo", "rectify_photos"]

_LARGEST_TILT_DEG = 40.0
_LARGEST_RESIDUAL = 0.004  # of the window's larger side: more means a bent card, a moved piece or another frame
_U_BEND_MM = 0.3
"""How far the rim of a printed card may lie over or under its middle (common practice, no source)."""
_U_ASPECT, _CONTRADICTED, _WORTH_SAYING_ASPECT = 0.01, 2.5, 0.0025
"""By how much printers feed paper long or short (common practice, no source), from how many standard uncertainties on
markers show that rulers were measured wrong, and what stretch is worth a remark. Seen from one side a pattern looks
shorter that way: of a stretch that is not allowed for, even of half a thousandth, a fit makes a camera that stood
elsewhere."""
_WORTH_SAYING_MM = 0.25
_BENT = 1.5e-4
"""Residual, as a share of the window's larger side, that is worth a remark: cockles of a tenth of a millimetre leave
it seen from 250 mm; noise and print leave a tenth of it."""
_COVERED, _COVERED_MM = 6.0, 0.05
"""A marker that misses its place by so many times what the middle one does, and by so much, is partly covered."""
_MOST_ALIKE = 0.9
_MOST_STRAIN = 0.01
"""Error of lengths of a marker's size beyond which nothing is measured: a card that bends by the thickness allowed for
stays below a tenth of it."""
_COARSEST_MM = 25.4 / LOWEST_SCAN_DPI
_OUTWARD = np.array([(-1.0, 1.0), (1.0, 1.0), (1.0, -1.0), (-1.0, -1.0)])
_FOCAL_35MM = 0xA405


@dataclass(frozen=True, kw_only=True, eq=False)
class RectifiedPhoto:
    """What one or more photographs show in the window of the frame, seen from straight above at true size.

    Attributes
    ----------
    scan : Scan
        The window; its upper-left corner is that of the window, 16 bit, linear light.
    camera : CameraFit
        Camera and positions, one view per photograph.
    n_markers : tuple of int
        Markers used, per photograph.
    residual_rms_mm, residual_max_mm : float
        Distances of the markers' corners from where they are in the frame.
    thickness_mm : float
        Height of the measured face above the card that was allowed for.
    u_scale : float
        Relative standard uncertainty of all lengths: print of the frame, residuals, and height times focal length.
    remarks : tuple of str
    """

    scan: Scan
    camera: CameraFit
    n_markers: tuple[int, ...]
    residual_rms_mm: float
    residual_max_mm: float
    thickness_mm: float
    u_scale: float
    remarks: tuple[str, ...] = field(default=())

    @property
    def n_photos(self) -> int:
        """Photographs combined."""
        return len(self.n_markers)

    def write(self, path: str | Path) -> Path:
        """Write the window as a TIFF that `open_scan` reads with its scale, how good that is, and its linear encoding.

        Parameters
        ----------
        path : str or Path

        Returns
        -------
        Path

        Raises
        ------
        ScanError
            If the name does not end with .tif or .tiff, or the file cannot be written.
        """
        import tifffile

        place = as_tiff(path)
        per_inch = 25.4 / self.scan.pixel_mm.x
        # Tag 301, TransferFunction: stored value i stands for light i, for one channel or for all three.
        linear = np.tile(np.arange(65536, dtype=np.uint16), self.scan.n_channels)
        try:
            place.parent.mkdir(parents=True, exist_ok=True)
            with whole_file(place) as beside:
                tifffile.imwrite(
                    beside,
                    self.scan.stored,
                    photometric="minisblack" if self.scan.n_channels == 1 else "rgb",
                    compression="zlib",
                    predictor=True,
                    resolution=(per_inch, per_inch),
                    resolutionunit="INCH",
                    description=write_note(
                        ScaleNote(pixel_mm=self.scan.pixel_mm.x, u_scale=self.u_scale, viewing=self.scan.viewing)
                    ),
                    metadata=None,
                    extratags=[(301, 3, linear.size, linear, True)],
                )
        except OSError as error:
            raise ScanError(f"{place}: cannot be written ({error.strerror or error}). Choose another --out.") from error
        return place

    def summary(self) -> str:
        """One line for people."""
        return (
            f"{self.scan.scan_id}: {self.n_photos} photographs, {sum(self.n_markers)} markers, residual "
            f"{1000 * self.residual_rms_mm:.1f} um rms, {1000 * self.residual_max_mm:.1f} um largest, "
            f"pixels {1000 * self.scan.pixel_mm.x:.1f} um, scale uncertainty {100 * self.u_scale:.2f} %"
        )

    def to_frame(self) -> pd.DataFrame:
        """One row per photograph."""
        import pandas as pd

        rms = [float(np.sqrt(np.mean(np.sum(part**2, axis=1)))) for part in self.camera.residuals_mm]
        return pd.DataFrame(
            {
                "photo": range(1, self.n_photos + 1),
                "n_markers": self.n_markers,
                "tilt_deg": self.camera.tilts_deg,
                "distance_mm": self.camera.distances_mm,
                "residual_rms_mm": rms,
            }
        )

    def _repr_html_(self) -> str:
        remarks = "".join(f"<br>{html.escape(remark)}" for remark in self.remarks)
        return f"<p>{html.escape(self.summary())}{remarks}</p>"


def as_tiff(path: str | Path) -> Path:
    """Return the path if it names a TIFF file that may be written; raises `ScanError` otherwise.

    What stands there is replaced only if it is a true picture too: a scan, or another file, may be the only one.
    """
    place = Path(path)
    if place.suffix.lower() not in (".tif", ".tiff"):
        raise ScanError(f"{place}: the true picture is a TIFF file. Give a name that ends with .tif.")
    if place.is_dir():
        raise ScanError(f"{place}: this is a folder. Name the file to write in it.")
    if place.exists() and not _is_true_picture(place):
        raise ScanError(f"{place}: another file stands there, no true picture of a photograph. Choose another --out.")
    return place


def _is_true_picture(place: Path) -> bool:
    """Whether a file is what `RectifiedPhoto.write` leaves."""
    import tifffile

    try:
        with tifffile.TiffFile(place) as file:
            return read_note(file.pages.first.description) is not None
    except (OSError, ValueError, tifffile.TiffFileError):
        return False


def rectify_photo(image: str | Path | Scan, frame: PhotoFrame, **options: Any) -> RectifiedPhoto:
    """One photograph of a piece in the frame, as `rectify_photos` does several.

    Parameters
    ----------
    image : str, Path or Scan
    frame : PhotoFrame
    **options
        As for `rectify_photos`.
    """
    return rectify_photos([image], frame, **options)


def rectify_photos(
    images: Sequence[str | Path | Scan],
    frame: PhotoFrame,
    *,
    thickness_mm: float = 0.0,
    u_thickness_mm: float = 0.05,
    pixel_mm: float | None = None,
    focal_px: float | None = None,
    encoding: str = "auto",
) -> RectifiedPhoto:
    """Combine photographs of one piece that lies still in the frame.

    Parameters
    ----------
    images : sequence of str, Path or Scan
        By one camera at one zoom and focus.
    frame : PhotoFrame
        The frame that was printed, with its measured rulers if they were measured.
    thickness_mm : float
        Height of the face to be measured above the card: the piece's thickness.
    u_thickness_mm : float
        Its standard uncertainty; a bent card counts here too.
    pixel_mm : float or None
        Pixel size of the result; None takes that of the photographs where they are finest in the window.
    focal_px : float or None
        Focal length in pixels if it is known (to about 10 %). None takes what the file says, else a usual one; several
        pictures from different directions find it themselves.
    encoding : str
        As for `open_scan`.

    Returns
    -------
    RectifiedPhoto

    Raises
    ------
    ScanError
        If too few markers are found, the camera was tilted too far, the pictures differ in size or are the same one, or
        the markers do not fit the frame.

    Notes
    -----
    The camera's positions, its focal length and two terms of radial distortion are fitted to the corners of all markers
    together. A face above the card is seen nearer to the lens: its scale depends on height over distance, and the
    distance on the focal length, whose uncertainty is carried into ``u_scale``. Of several pictures each place is
    taken from the one from most straight above it, unless that shows glare there that the others do not.
    """
    if not images:
        raise ScanError("photographs: none given. Name at least one picture.")
    if not 0.0 <= thickness_mm <= 50.0:
        raise ScanError(f"photographs: a thickness of {thickness_mm:g} mm is outside 0 to 50.")
    if pixel_mm is not None and not 0.002 <= pixel_mm <= 1.0:
        raise ScanError(f"photographs: a pixel size of {pixel_mm:g} mm is outside 0.002 to 1.")
    opened = [_opened(image, encoding) for image in images]
    _check_apart(opened)
    scans = as_sensors_saw(opened)
    sizes = {(scan.n_columns, scan.n_rows) for scan in scans}
    if len(sizes) > 1:
        listed = " and ".join(f"{x} x {y}" for x, y in sorted(sizes))
        raise ScanError(
            f"photographs: of different sizes ({listed}). Take all at the same settings, or use them apart."
        )
    developed = develop(scans, module_mm=frame.marker_mm / N_MODULES, from_above=frame.ground == "black")
    scans = list(developed.scans)
    views = [view_of_frame(scan, sighting, frame) for scan, sighting in zip(scans, developed.sightings, strict=True)]
    known_focal = focal_px if focal_px is not None else _focal_in_file(scans[0])
    u_known = 0.35 if known_focal is None else 0.1
    known = {
        "size_px": (scans[0].n_columns, scans[0].n_rows),
        "focal_px": known_focal,
        "u_focal": u_known,
        "u_bend_mm": _U_BEND_MM,
    }
    u_aspect = math.sqrt(2.0) * frame.u_scale if frame.is_measured else _U_ASPECT
    camera, chosen = _fit_to_markers(views, **known, u_aspect=u_aspect)
    if u_aspect < _U_ASPECT and abs(math.log(camera.aspect)) > _CONTRADICTED * u_aspect:
        camera, chosen = _fit_to_markers(views, **known, u_aspect=_U_ASPECT)
    views = chosen
    camera = replace(camera, u_focal=min(camera.u_focal, u_known))
    _check(scans, camera, frame)
    for view, scan in enumerate(scans):
        check_ground(scan, camera, view, frame)
    finest_mm = _finest_pixel_mm(camera, frame, thickness_mm)
    if finest_mm > _COARSEST_MM:
        raise ScanError(
            f"{scans[0].path}: pixels are {finest_mm:.2f} mm on the card, {_COARSEST_MM:.2f} is the most that is read. "
            "Fill the picture with the frame, and save it at full size."
        )
    step_mm = finest_mm if pixel_mm is None else pixel_mm
    viewing = replace(
        _viewing(camera, frame, thickness_mm),
        is_linear=developed.is_linear,
        u_tones=developed.u_tones,
        has_rulers=frame.is_measured,
    )
    pixels = combine_window(scans, camera, frame, viewing, step_mm=step_mm)
    u_scale = _u_scale(camera, frame, thickness_mm, u_thickness_mm)
    scan = scan_from_pixels(
        pixels,
        pixel_mm=PixelSize(step_mm, step_mm),
        name=str(scans[0].path),
        encoding=LINEAR,
        scale_source="frame",
        u_scale=u_scale,
        viewing=viewing,
    )
    return RectifiedPhoto(
        scan=scan,
        camera=camera,
        n_markers=tuple(len(view.points_px) // 4 for view in views),
        residual_rms_mm=camera.rms_mm,
        residual_max_mm=camera.max_mm,
        thickness_mm=thickness_mm,
        u_scale=u_scale,
        remarks=(
            *dict.fromkeys(remark for one in scans for remark in one.remarks),
            *developed.remarks,
            *_remarks(camera, frame),
        ),
    )


def _fit_to_markers(views: Sequence[PlaneView], **known: Any) -> tuple[CameraFit, list[PlaneView]]:
    """Fit the camera, and say to which markers.

    Markers come out larger or smaller all round where ink spreads or a camera bends the tones; some are partly covered.
    """
    outward = [np.tile(_OUTWARD, (len(view.points_mm) // 4, 1)) for view in views]
    grown = list(views)
    camera = fit_camera(grown, **known, n_alike=4.0)
    # In turns, as a first camera takes part of the growth for its own.
    for _ in range(3):
        along = [np.ravel(off * out) for off, out in zip(camera.residuals_mm, outward, strict=True)]
        growth_mm = float(np.median(np.concatenate(along)))
        grown = [
            replace(view, points_mm=view.points_mm + growth_mm * o) for view, o in zip(grown, outward, strict=True)
        ]
        camera = fit_camera(grown, **known, n_alike=4.0, start=camera)
    worst = [np.hypot(*part.T).reshape(-1, 4).max(axis=1) for part in camera.residuals_mm]
    most = max(_COVERED * float(np.median(np.concatenate(worst))), _COVERED_MM)
    whole = [np.repeat(part <= most, 4) for part in worst]
    if min(int(part.sum()) for part in whole) < 4 * FEWEST_MARKERS:
        whole = [np.ones(len(part), dtype=bool) for part in whole]
    chosen = [
        PlaneView(points_px=view.points_px[own], points_mm=view.points_mm[own])
        for view, own in zip(grown, whole, strict=True)
    ]
    camera = fit_camera(chosen, **known, n_alike=4.0, start=camera)
    return fit_camera(chosen, **known, n_alike=_n_alike(camera), start=camera), chosen


def _n_alike(camera: CameraFit) -> float:
    """How many corners count as one: a marker's four err alike, and so do neighbours where the card is not flat.

    As for the mean of a series in which each value resembles the one before (first-order autoregression).
    """
    square = together = 1e-12
    for part in camera.residuals_mm:
        offsets = part.reshape(-1, 4, 2).mean(axis=1)
        square += float(np.sum(offsets**2))
        together += float(np.sum(offsets * np.roll(offsets, 1, axis=0)))
    alike = min(max(together / square, 0.0), _MOST_ALIKE)
    return 4.0 * (1.0 + alike) / (1.0 - alike)


def _strain(camera: CameraFit, marker_mm: float) -> float:
    """How much lengths of a marker's size are off, relative, root mean square over directions and markers."""
    squares = []
    for part in camera.residuals_mm:
        corners = part.reshape(-1, 4, 2)
        along_x = (corners[:, 1] - corners[:, 0] + corners[:, 2] - corners[:, 3]) / (2.0 * marker_mm)
        along_y = (corners[:, 0] - corners[:, 3] + corners[:, 1] - corners[:, 2]) / (2.0 * marker_mm)
        x, y, shear = along_x[:, 0], along_y[:, 1], (along_x[:, 1] + along_y[:, 0]) / 2.0
        # Mean over directions n of the square of n' E n.
        squares.append(0.375 * (x**2 + y**2) + 0.25 * x * y + 0.5 * shear**2)
    return math.sqrt(float(np.mean(np.concatenate(squares))))


def _remarks(camera: CameraFit, frame: PhotoFrame) -> tuple[str, ...]:
    found = []
    bend_mm = float(np.abs(camera.bend_mm).max())
    if bend_mm > _WORTH_SAYING_MM:
        found.append(f"the card's rim lies {bend_mm:.1f} mm over or under its middle, which was allowed for")
    if abs(camera.aspect - 1.0) > _WORTH_SAYING_ASPECT:
        again = "Measure its rulers again" if frame.is_measured else "Measure its rulers and give them (--rulers)"
        longer, shorter = ("x", "y") if camera.aspect > 1.0 else ("y", "x")
        found.append(
            f"the frame was printed {abs(camera.aspect - 1.0):.1%} longer along {longer} than along {shorter}, which "
            f"was allowed for. {again}"
        )
    if camera.rms_mm > _BENT * max(frame.window_x_mm, frame.window_y_mm):
        found.append(
            f"the markers miss their places by {1000 * camera.rms_mm:.0f} um rms: the card is bent or was printed "
            "unevenly, or the camera moved. Tape it to something flat, put the camera on a stand"
        )
    return tuple(found)


def _opened(image: str | Path | Scan, encoding: str) -> Scan:
    return image if isinstance(image, Scan) else open_scan(image, encoding=encoding, need_scale=False)


def _check_apart(scans: Sequence[Scan]) -> None:
    """The same picture twice would count as two, and make numbers look surer than they are."""
    for index, scan in enumerate(scans):
        for other in scans[:index]:
            if scan.stored.shape == other.stored.shape and np.array_equal(scan.stored, other.stored):
                raise ScanError(f"{scan.path}: the same picture as {other.path}. Give every photograph once.")


def _focal_in_file(scan: Scan) -> float | None:
    """Focal length in pixels from the 35-mm-equivalent entry of EXIF, or None."""
    if scan.kind != "JPEG":
        return None
    from PIL import Image

    try:
        with Image.open(scan.path) as picture:
            equivalent = float(picture.getexif().get_ifd(0x8769).get(_FOCAL_35MM, 0))
    except (OSError, TypeError, ValueError):
        return None
    diagonal_px = math.hypot(scan.n_rows, scan.n_columns)
    return equivalent / math.hypot(36.0, 24.0) * diagonal_px if 10 <= equivalent <= 500 else None


def _check(scans: Sequence[Scan], camera: CameraFit, frame: PhotoFrame) -> None:
    for scan, tilt, part in zip(scans, camera.tilts_deg, camera.residuals_mm, strict=True):
        if tilt > _LARGEST_TILT_DEG:
            raise ScanError(
                f"{scan.path}: taken {tilt:.0f} degrees from the vertical, {_LARGEST_TILT_DEG:.0f} is the limit. "
                "Photograph from above."
            )
        rms = float(np.sqrt(np.mean(np.sum(part**2, axis=1))))
        limit = _LARGEST_RESIDUAL * max(frame.window_x_mm, frame.window_y_mm)
        if not rms <= limit:
            raise ScanError(
                f"{scan.path}: the markers miss their places by {rms:.2f} mm rms, {limit:.2f} is allowed. "
                "Lay the card flat, and check that this is the frame that was printed."
            )
    strain = _strain(camera, frame.marker_mm)
    if not strain <= _MOST_STRAIN:
        raise ScanError(
            f"{scans[0].path}: lengths in the picture are off by {strain:.1%} from place to place, {_MOST_STRAIN:.0%} "
            "is allowed. Tape the card to something flat and hold the camera still."
        )


def _corners_and_middle(frame: PhotoFrame) -> NDArray[np.float64]:
    x, y = frame.window_x_mm, frame.window_y_mm
    return np.array([(0, 0), (x, 0), (x, y), (0, y), (x / 2, y / 2)], dtype=float)


def _finest_pixel_mm(camera: CameraFit, frame: PhotoFrame, thickness_mm: float) -> float:
    places = _corners_and_middle(frame)
    finest = math.inf
    for view in range(len(camera.rotations)):
        here = camera.project(places, view, z_mm=thickness_mm)
        for shift in ((0.1, 0.0), (0.0, 0.1)):
            there = camera.project(places + np.array(shift), view, z_mm=thickness_mm)
            finest = min(finest, 0.1 / float(np.linalg.norm(there - here, axis=1).max()))
    return finest


def _viewing(camera: CameraFit, frame: PhotoFrame, thickness_mm: float) -> Viewing:
    points = (Viewpoint(float(x), float(frame.window_y_mm - y), float(z - thickness_mm)) for x, y, z in camera.eyes_mm)
    return Viewing(points=tuple(points), face_mm=thickness_mm, u_height=camera.u_focal)


def _u_scale(camera: CameraFit, frame: PhotoFrame, thickness_mm: float, u_thickness_mm: float) -> float:
    """Relative standard uncertainty of lengths in the window: GUM, law of propagation, parts taken as independent.

    The four corners of a marker count as one observation, since print and card err by markers.
    """
    distance_mm = float(np.mean(camera.distances_mm))
    span_mm = max(frame.window_x_mm, frame.window_y_mm)
    n_markers = sum(len(part) for part in camera.residuals_mm) / 4.0
    from_points = 2.0 * camera.rms_mm / math.sqrt(n_markers) / span_mm
    # A face at height h appears larger by h / distance; the distance found is in proportion to the focal length.
    from_focal = thickness_mm / distance_mm * camera.u_focal
    # Over its own length a piece follows a bent card, or spans it, by about a third of what the rim tells.
    from_height = math.hypot(u_thickness_mm, 0.3 * float(np.abs(camera.bend_mm).max())) / distance_mm
    # A print that came out longer one way may be too long there, too short across, or anything between.
    from_aspect = abs(camera.aspect - 1.0) / 2.0 / math.sqrt(3.0)
    # What no smooth camera explains (wrinkles, a camera that moved while rows were read) differs from place to place.
    from_place = _strain(camera, frame.marker_mm)
    parts = (frame.u_scale, from_points, from_focal, from_height, from_aspect, from_place)
    return math.sqrt(sum(part**2 for part in parts))
