"""The maker's requirements: ``brief.toml``.

A brief says what the print is needed for: the smallest details by kind, the tolerance on their
width, the largest edge roughness, the longest print time, and the modelling scale.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from sharpset.errors import BriefError
from sharpset.files import read_text

__all__ = ["KINDS", "Brief", "Limits", "Tolerance", "example_brief", "load_brief"]

KINDS = ("bar", "slot", "hole", "post", "rib", "groove", "dome")
"""Kinds of detail that a brief can ask for."""

_MEANING = {
    "name": "what the brief is for, any text",
    "process": "how the piece is printed: 'filament' or 'resin'",
    "scale": "the modelling scale as a number: 24 for 1:24",
    "smallest_mm": "the smallest detail of each kind that must form, in mm on the print",
    "full_size_mm": "the smallest detail of each kind at full size, in mm; needs 'scale'",
    "tolerance_mm": "the largest acceptable errors, in mm",
    "tolerance_mm.width": "largest acceptable error of a width or diameter, in mm, either way",
    "tolerance_mm.edge_roughness": "largest acceptable edge roughness (standard deviation), in mm",
    "limits": "what the print may cost",
    "limits.print_time_h": "longest acceptable print time, in hours",
}


def _no_flag(value: object) -> object:
    """Refuse true and false, which would count as 1 and 0 mm."""
    if isinstance(value, bool):
        raise ValueError(f"a number is needed, got {str(value).lower()}")
    return value


_Number = Annotated[float, BeforeValidator(_no_flag), Field(allow_inf_nan=False)]
_Size = Annotated[_Number, Field(gt=0, le=500)]
_Frozen = ConfigDict(extra="forbid", frozen=True)


class Tolerance(BaseModel):
    """Largest acceptable errors of a detail, in mm."""

    model_config = _Frozen
    width: _Size = 0.05
    edge_roughness: _Size | None = None


class Limits(BaseModel):
    """What a print may cost."""

    model_config = _Frozen
    print_time_h: Annotated[_Number, Field(gt=0, le=1000)] | None = None


class Brief(BaseModel):
    """What the maker needs from the print.

    Attributes
    ----------
    name : str
    process : {'filament', 'resin'}
    scale : float or None
        Modelling scale, 24 for 1:24.
    smallest_mm : dict of str to float
        Smallest detail of each kind that must form, mm on the print.
    tolerance_mm : Tolerance
    limits : Limits
    """

    model_config = _Frozen
    name: Annotated[str, Field(min_length=1)]
    process: Literal["filament", "resin"]
    scale: Annotated[_Number, Field(ge=1, le=10000)] | None = None
    smallest_mm: dict[str, _Size] = Field(min_length=1)
    tolerance_mm: Tolerance = Tolerance()
    limits: Limits = Limits()

    @model_validator(mode="before")
    @classmethod
    def _from_full_size(cls, data: Any) -> Any:
        """Turn sizes given at full size into sizes on the print."""
        if not isinstance(data, dict) or "full_size_mm" not in data:
            return data
        data = dict(data)
        full = data.pop("full_size_mm")
        scale = data.get("scale")
        if not isinstance(scale, int | float) or isinstance(scale, bool) or not scale >= 1:
            raise ValueError("full_size_mm needs 'scale', the modelling scale as a number (24 for 1:24)")
        if not isinstance(full, dict):
            raise ValueError("full_size_mm must be a table such as [full_size_mm] with a line bar = 6.0")
        if not isinstance(data.get("smallest_mm", {}), dict):
            raise ValueError("smallest_mm must be a table such as [smallest_mm] with a line bar = 0.25")
        sizes = dict(data.get("smallest_mm", {}))
        twice = sorted(set(full) & set(sizes))
        if twice:
            raise ValueError(f"{', '.join(twice)} stands in both smallest_mm and full_size_mm; keep one of them")
        for kind, value in full.items():
            sizes[kind] = value / scale if isinstance(value, int | float) and not isinstance(value, bool) else value
        data["smallest_mm"] = sizes
        return data

    @model_validator(mode="after")
    def _known_kinds(self) -> Brief:
        unknown = sorted(set(self.smallest_mm) - set(KINDS))
        if unknown:
            raise ValueError(f"smallest_mm names the unknown kind {unknown[0]!r}; kinds are {', '.join(KINDS)}")
        return self

    def full_size_mm(self, size_mm: float) -> float:
        """Return a size on the print at full size, in mm (NaN without a scale)."""
        return size_mm * self.scale if self.scale else float("nan")

    def summary(self) -> str:
        """Return the brief in one line."""
        sizes = ", ".join(f"{kind} {size:.4g} mm" for kind, size in self.smallest_mm.items())
        scale = f" at 1:{self.scale:g}" if self.scale else ""
        return f"{self.name} ({self.process}{scale}): {sizes}; width within {self.tolerance_mm.width:g} mm"


def _sentence(error: ValidationError) -> str:
    """Put the first fault of a validation into words: key, fault, what the key means."""
    first = error.errors()[0]
    key = ".".join(str(part) for part in first["loc"])
    meaning = _MEANING.get(key) or _MEANING.get(key.split(".")[0], "")
    if first["type"] == "extra_forbidden":
        parent = key.rpartition(".")[0]
        depth = parent.count(".") + 1 if parent else 0
        known = [k for k in _MEANING if k.startswith(f"{parent}." if parent else "") and k.count(".") == depth]
        return f"unknown key {key!r}; known keys here are {', '.join(known)}"
    if first["type"] == "missing":
        return f"key {key!r} is missing: {meaning}"
    if first["type"] == "value_error":
        fault = str(first["ctx"]["error"]) if "ctx" in first else first["msg"]
        return f"key {key!r} ({meaning}): {fault}" if key else fault
    got = first.get("input")
    return f"key {key!r} ({meaning}): {first['msg'][0].lower()}{first['msg'][1:]}, got {got!r}"


def load_brief(path: Path | str) -> Brief:
    """Read and check a brief.

    Parameters
    ----------
    path : path of a TOML file

    Returns
    -------
    Brief
        Sizes in mm on the print, whichever way they were given.

    Raises
    ------
    BriefError
        If the file is missing, is not TOML, or a line is at fault; the text names the key and what
        it means.
    """
    path = Path(path)
    try:
        data = tomllib.loads(read_text(path))
    except OSError as error:
        raise BriefError(
            f"{path}: the brief cannot be read ({error.strerror}). Give the path of a brief.toml."
        ) from error
    except ValueError as error:
        raise BriefError(
            f"{path}: not a TOML file ({error}). 'sharpset brief --out FILE' writes an example."
        ) from error
    try:
        return Brief.model_validate(data)
    except ValidationError as error:
        raise BriefError(f"{path}: {_sentence(error)}.") from error


def example_brief(process: Literal["filament", "resin"] = "filament") -> str:
    """Return the text of an example brief with every line explained."""
    sizes = (0.25, 0.20, 0.40) if process == "filament" else (0.15, 0.15, 0.25)
    return f"""\
# What the print is needed for. Every length is in mm on the print unless it says full size.
name = "winch and davit masters, Brackwater Works"
process = "{process}"           # how it is printed: "filament" or "resin"
scale = 24                    # modelling scale 1:24; then [full_size_mm] may be used instead of [smallest_mm]

[smallest_mm]                 # the smallest detail of each kind that must form
bar = {sizes[0]:.2f}
slot = {sizes[1]:.2f}
hole = {sizes[2]:.2f}

[tolerance_mm]
width = 0.05                  # largest acceptable error of a width or diameter, either way
edge_roughness = 0.02         # largest acceptable edge roughness (standard deviation)

[limits]
print_time_h = 4.0            # longest acceptable print time
"""
