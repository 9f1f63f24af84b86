"""The report of a fit: one HTML page that carries its figures, and the figures beside it."""

from __future__ import annotations

import base64
import io
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
from matplotlib.figure import Figure

from sharpset import __version__
from sharpset.errors import ReportError
from sharpset.files import file_name, whole_file
from sharpset.fits import Fit
from sharpset.fits.surface import ResponseFit
from sharpset.plans import CAUTIONS
from sharpset.plots.style import label_of, term_label
from sharpset.reports import fit_tables as tables
from sharpset.reports.compare_page import TextTable
from sharpset.reports.fit_figures import RESPONSE_FIGURES, WHOLE_FIGURES, fit_figures, key_responses
from sharpset.reports.terminal import odd_prints

__all__ = ["FitPage", "Item", "Part", "fit_page", "write_fit_report"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Item:
    """A text, a table and figures that belong together; ``folded`` ones open on a click."""

    title: str = ""
    text: str = ""
    table: TextTable | None = None
    figures: tuple[str, ...] = ()
    folded: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Part:
    """A titled part of the page."""

    title: str
    items: tuple[Item, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class FitPage:
    """What the report says.

    Attributes
    ----------
    title, subtitle, lead : str
    parts : tuple of Part
    remarks : tuple of str
    cautions : tuple of str
        Hazards of the process.
    figures : dict of str to bytes
        PNG by name.
    """

    title: str
    subtitle: str
    lead: str
    parts: tuple[Part, ...]
    remarks: tuple[str, ...]
    cautions: tuple[str, ...]
    figures: dict[str, bytes]

    def uri(self, name: str) -> str:
        """Return a figure as a PNG that the page carries inside itself."""
        return "data:image/png;base64," + base64.b64encode(self.figures[name]).decode("ascii")

    def html(self) -> str:
        """Return the page; it needs no other file and no network."""
        import jinja2

        folder = Path(__file__).parent / "templates"
        environment = jinja2.Environment(
            loader=jinja2.FileSystemLoader(folder), autoescape=True, trim_blocks=True, lstrip_blocks=True
        )
        return environment.get_template("fit.html.j2").render(page=self)


def _png(figure: Figure) -> bytes:
    buffer = io.BytesIO()
    options: dict[str, Any] = {"metadata": {"Software": None}}
    figure.savefig(buffer, format="png", **options)
    return buffer.getvalue()


def fit_page(
    fit: Fit,
    *,
    readings: pd.DataFrame | None = None,
    scans: Mapping[str, Figure] | None = None,
    title: str = "",
    note: str = "",
) -> FitPage:
    """Put the report of a fit together.

    Parameters
    ----------
    fit : Fit
    readings : pandas.DataFrame, optional
        Readings table that the fit was made from.
    scans : mapping of str to Figure, optional
        Scans with what was found, by run.
    title : str
    note : str
        Said under the title, for example where the data come from.
    """
    drawn = {f"scan_{run}": figure for run, figure in (scans or {}).items()} | fit_figures(fit, readings=readings)
    figures = {name: _png(figure) for name, figure in drawn.items()}
    parts = [
        _recommendation(fit, figures),
        _asked(fit),
        _found(readings, figures),
        _effects(fit, figures),
        _models(fit, figures),
        _method(fit, readings),
    ]
    brief = fit.brief
    processes = [brief.process] if brief is not None else list(CAUTIONS)
    name = title or (f"Settings for {brief.name}" if brief is not None else "Fit of a planned experiment")
    return FitPage(
        title=name,
        subtitle=f"{len(fit.runs)} prints; sharpset {__version__}{'. ' + note if note else ''}",
        lead=_lead(fit),
        parts=tuple(part for part in parts if part is not None and part.items),
        remarks=tuple(
            dict.fromkeys((*(fit.best.remarks if fit.best is not None else ()), *odd_prints(fit), *fit.remarks))
        ),
        cautions=tuple(dict.fromkeys(text for process in processes for text in CAUTIONS[process])),
        figures=figures,
    )


def _lead(fit: Fit) -> str:
    if fit.best is None:
        return f"{len(fit.responses)} responses fitted. Settings are recommended once a brief says what is needed."
    summary = fit.best.summary().replace("_", " ")
    thicker = fit.best.thicken[~fit.best.thicken["verdict"].eq("forms at the wanted size")]
    if thicker.empty:
        return f"Use {summary}. Every detail of the brief forms at its wanted size."
    said = []
    for row in thicker.itertuples():
        what = f"draw {row.draw_mm:.3f} mm" if pd.notna(row.draw_mm) else row.verdict
        said.append(f"{row.kind} of {row.wanted_mm:.3g} mm: {what}")
    return f"Use {summary}. In CAD: {'; '.join(said)}."


def _have(figures: Mapping[str, bytes], *names: str) -> tuple[str, ...]:
    return tuple(name for name in names if name in figures)


def _recommendation(fit: Fit, figures: Mapping[str, bytes]) -> Part | None:
    if fit.best is None:
        return None
    items = [
        Item(title="Settings", table=tables.factor_table(fit)),
        Item(
            title="What to expect of one new print",
            text="Intervals hold the value of one new print with 95 % confidence. Growth is material added per side; "
            "its accepted range lies around the predicted value, because CAD can allow for growth that is known.",
            table=tables.expected_text(fit),
            figures=_have(figures, "recommendation"),
        ),
        Item(
            title="Chance that the brief is met",
            text="From the fitted models' own uncertainty and the scatter between prints, growth allowed for in CAD.",
            table=tables.chance_table(fit),
            figures=_have(figures, "chance_map"),
        ),
        Item(
            title="What to draw in CAD",
            text="The limit a90/95 is the drawn size that forms 90 % of the time, with 95 % confidence, at these "
            "settings. Where it lies above the wanted size the detail has to be drawn thicker, and comes out "
            "larger than wanted.",
            table=tables.thicken_text(fit),
            figures=_have(figures, "formed_curves"),
        ),
    ]
    if not fit.directions.empty:
        items.append(
            Item(
                title="By direction",
                text="Strips by the direction in which they run on the piece, compared within each print. Where "
                "directions are clearly apart each has its own limit or growth; elsewhere they share that of their "
                "kind. The limit of one direction rests on fewer features, so that its bound is wider. The scanner's "
                "lamp can make growth differ where all pieces lay the same way on the glass; turn some of them.",
                table=tables.direction_text(fit),
            )
        )
    return Part(title="Recommended settings", items=tuple(items))


def _asked(fit: Fit) -> Part:
    items = []
    if fit.brief is not None:
        items.append(Item(title="Brief", text=fit.brief.name, table=tables.brief_table(fit.brief)))
    if fit.best is None:
        items.append(Item(title="Factors", table=tables.factor_table(fit)))
    return Part(title="What was asked", items=tuple(items))


def _found(readings: pd.DataFrame | None, figures: Mapping[str, bytes]) -> Part | None:
    if readings is None:
        return None
    scans = tuple(name for name in figures if name.startswith("scan_"))
    items = [
        Item(
            title="On the scans",
            text="Outlines are the features as drawn: blue formed, yellow partly, red not formed; those with a cross "
            "could not be read.",
            figures=scans,
        )
    ]
    items = items if scans else []
    items.append(Item(title="What formed", figures=_have(figures, "formed_chart")))
    items.append(
        Item(
            title="Readings by kind and size, all prints",
            text="U95 is the half-width of the 95 % interval of a single reading; the spread also holds what the "
            "settings did.",
            table=tables.sizes_text(readings),
            folded=True,
        )
    )
    return Part(title="What was found", items=tuple(items))


def _effects(fit: Fit, figures: Mapping[str, bytes]) -> Part:
    items = [
        Item(
            title=label_of(name),
            text=_clear_effects(fit.responses[name]),
            figures=_have(figures, f"effects_{name}", f"surface_{name}"),
        )
        for name in key_responses(fit)
    ]
    return Part(title="What the settings do", items=tuple(items))


def _clear_effects(response: ResponseFit) -> str:
    """Return scatter and clear effects of a response in one sentence."""
    use = response.predictor
    if response.lenth is not None:
        return response.lenth.summary() + "."
    terms = use.terms[use.terms["term"] != "Intercept"]
    clear = [term_label(term) for term in terms.loc[terms["p"] < 0.05, "term"]]
    said = f"clear effects (p < 0.05): {', '.join(clear)}" if clear else "no effect is clear of chance"
    return f"{use.n} prints; print-to-print standard deviation {use.residual_sd:.3g} on {use.df_resid:.3g} df; {said}."


def _models(fit: Fit, figures: Mapping[str, bytes]) -> Part:
    items = [Item(title="All responses", table=tables.model_table(fit))]
    for kind, model in fit.formed.items():
        items.append(Item(title=f"What forms: {kind}", text=model.summary(), folded=True))
    for name, share in fit.shares.items():
        title = f"Share of {label_of(name)} (logit, coded units)"
        items.append(Item(title=title, text=share.summary(), table=tables.term_table(fit, name), folded=True))
    for name in fit.responses:
        text = " ".join(f"{said[0].upper()}{said[1:]}." for said in fit.responses[name].predictor.diagnostics if said)
        items.append(
            Item(
                title=f"Terms and residuals of {label_of(name)} (coded units)",
                text=text.replace("..", "."),
                table=tables.term_table(fit, name),
                figures=_have(figures, f"terms_{name}", f"residuals_{name}"),
                folded=True,
            )
        )
    failed = "; ".join(f"{label_of(name)}: {why}" for name, why in fit.failed.items())
    if failed:
        items.append(Item(title="Responses without a model", text=failed, folded=True))
    return Part(title="The models", items=tuple(items))


def _method(fit: Fit, readings: pd.DataFrame | None) -> Part:
    said = []
    if readings is not None:
        said.append(
            "Widths and diameters come from a model of the blurred edge fitted to the scan's own pixels in linear "
            "light, with the scan's own edge spread; nothing is measured on a resampled picture. A feature counts as "
            "formed when it is there along nearly all of its length; 'partly' counts as not formed. Scales are as true "
            "as the scanner's own, 0.4 % without a reference, which their intervals leave out."
        )
    said.append(
        "One run is one print job: features and scans of one job are summarised and never counted as replicates. "
        "Predictions hold inside the region that was tried and for this machine, material and nozzle or light engine."
    )
    return Part(title="How it was measured and judged", items=(Item(text=" ".join(said)),))


def write_fit_report(page: FitPage, folder: Path | str) -> Path:
    """Write ``report.html`` and ``figures/*.png``.

    Parameters
    ----------
    page : FitPage
    folder : path
        Made if it is not there.

    Returns
    -------
    Path
        The page. Figures of an earlier report that this one has not are taken away; other files are left.

    Raises
    ------
    ReportError
        If they cannot be written.
    """
    folder = Path(folder)
    path = folder / "report.html"
    try:
        (folder / "figures").mkdir(parents=True, exist_ok=True)
        for name, png in page.figures.items():
            with whole_file(folder / "figures" / f"{file_name(name)}.png") as place:
                place.write_bytes(png)
        with whole_file(path) as place:
            place.write_text(page.html(), encoding="utf-8", newline="\n")
        _clear_away(folder / "figures", page.figures)
    except OSError as error:
        raise ReportError(
            f"{folder}: the report cannot be written ({error.strerror}). Choose another --out."
        ) from error
    return path


def _clear_away(folder: Path, figures: Mapping[str, bytes]) -> None:
    """Remove figures that an earlier report wrote and this one did not: responses change with the results."""
    written = {f"{file_name(name)}.png" for name in figures}
    for path in sorted(folder.glob("*.png")):
        ours = path.stem in WHOLE_FIGURES or path.stem.startswith(RESPONSE_FIGURES)
        if ours and path.name not in written:
            with suppress(PermissionError):  # open in a viewer on Windows
                path.unlink()
