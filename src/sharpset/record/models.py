"""The tables of the record.

Every entry is a row of ``entry`` and a row of the table of its kind, and is never changed
afterwards. A correction is a new entry; ``corrects_id`` points to the entry it corrects and
``first_id`` to the first of the chain. ``search_detail`` and nothing else is derived and may be
rebuilt at any time.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import JSON, BigInteger, Float, ForeignKey, Index, Integer, LargeBinary, MetaData, String, Text
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

__all__ = [
    "Base",
    "DetailLimitRow",
    "EntryFileRow",
    "EntryRow",
    "EvidenceRow",
    "FitRow",
    "HeadRow",
    "LotRow",
    "MaterialRow",
    "PieceRow",
    "PrintRow",
    "PrinterRow",
    "ReadingSizeRow",
    "ReadingsRow",
    "RecipeRow",
    "ScanRow",
    "SearchDetailRow",
    "StoredFileRow",
]

_KEY = BigInteger().with_variant(Integer, "sqlite")
_NAMES = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}


class Base(DeclarativeBase):
    """Root of the tables."""

    metadata = MetaData(naming_convention=_NAMES)


def _own_key() -> Mapped[int]:
    return mapped_column(_KEY, ForeignKey("entry.id"), primary_key=True)


def _table_field() -> Mapped[dict[str, Any] | None]:
    return mapped_column(JSON(none_as_null=True))


def _ref(*, required: bool = False) -> Any:
    return mapped_column(_KEY, ForeignKey("entry.id"), nullable=not required, index=True)


class EntryRow(Base):
    """What all entries have."""

    __tablename__ = "entry"
    id: Mapped[int] = mapped_column(_KEY, primary_key=True)
    uuid: Mapped[str] = mapped_column(String(36), unique=True)
    code: Mapped[str] = mapped_column(String(6), index=True)
    kind: Mapped[str] = mapped_column(String(16))
    name: Mapped[str] = mapped_column(Text)
    created_utc: Mapped[str] = mapped_column(String(27))
    corrects_id: Mapped[int | None] = mapped_column(_KEY, ForeignKey("entry.id"), index=True)
    first_id: Mapped[int | None] = mapped_column(_KEY, ForeignKey("entry.id"), index=True)
    by: Mapped[str] = mapped_column(Text)
    note: Mapped[str] = mapped_column(Text)
    sha256: Mapped[str] = mapped_column(String(64))
    __table_args__ = (
        Index("ix_entry_kind_created_utc_uuid", "kind", "created_utc", "uuid"),
        Index("ix_entry_created_utc_uuid", "created_utc", "uuid"),
        Index("ix_entry_name", "name"),
        Index("ix_entry_kind_name", "kind", "name"),
    )


class PrinterRow(Base):
    """A printer."""

    __tablename__ = "printer"
    id: Mapped[int] = _own_key()
    process: Mapped[str] = mapped_column(String(16))
    details: Mapped[dict[str, Any]] = mapped_column(JSON)


class MaterialRow(Base):
    """A material."""

    __tablename__ = "material"
    id: Mapped[int] = _own_key()
    process: Mapped[str | None] = mapped_column(String(16))
    supplier: Mapped[str | None] = mapped_column(Text)
    details: Mapped[dict[str, Any]] = mapped_column(JSON)


class PieceRow(Base):
    """A test piece, or the model of a master."""

    __tablename__ = "piece"
    id: Mapped[int] = _own_key()
    type: Mapped[str | None] = mapped_column(Text)
    version: Mapped[str | None] = mapped_column(Text)
    definition: Mapped[dict[str, Any]] = mapped_column(JSON)


class PrintRow(Base):
    """A print job with all its settings."""

    __tablename__ = "print_job"
    id: Mapped[int] = _own_key()
    printer_id: Mapped[int] = _ref(required=True)
    material_id: Mapped[int | None] = _ref()
    piece_id: Mapped[int | None] = _ref()
    run_id: Mapped[str | None] = mapped_column(Text, index=True)
    plan_id: Mapped[str | None] = mapped_column(Text)
    printed_utc: Mapped[str | None] = mapped_column(String(27))
    duration_h: Mapped[float | None] = mapped_column(Float(53))
    outcome: Mapped[str | None] = mapped_column(Text)
    settings: Mapped[dict[str, Any]] = mapped_column(JSON)
    details: Mapped[dict[str, Any]] = mapped_column(JSON)
    head_id: Mapped[int | None] = _ref()
    lot_id: Mapped[int | None] = _ref()
    recipe_id: Mapped[int | None] = _ref()


class ScanRow(Base):
    """A picture of a piece: what it hashes to and where it lies."""

    __tablename__ = "scan"
    id: Mapped[int] = _own_key()
    print_id: Mapped[int | None] = _ref()
    piece_id: Mapped[int | None] = _ref()
    path: Mapped[str] = mapped_column(Text)
    file_sha256: Mapped[str] = mapped_column(String(64), index=True)
    n_bytes: Mapped[int] = mapped_column(BigInteger)
    dpi: Mapped[float | None] = mapped_column(Float(53))
    scanner: Mapped[str | None] = mapped_column(Text)
    scanned_utc: Mapped[str | None] = mapped_column(String(27))
    details: Mapped[dict[str, Any]] = mapped_column(JSON)


class ReadingsRow(Base):
    """The table of readings of one scan, packed."""

    __tablename__ = "readings"
    id: Mapped[int] = _own_key()
    scan_id: Mapped[int | None] = _ref()
    print_id: Mapped[int | None] = _ref()
    piece_id: Mapped[int | None] = _ref()
    n_rows: Mapped[int] = mapped_column(Integer)
    table_sha256: Mapped[str] = mapped_column(String(64))
    packed: Mapped[bytes] = mapped_column(LargeBinary)


class ReadingSizeRow(Base):
    """What the readings of one scan say about one kind and one nominal size."""

    __tablename__ = "reading_size"
    readings_id: Mapped[int] = mapped_column(_KEY, ForeignKey("entry.id"), primary_key=True)
    kind: Mapped[str] = mapped_column(String(32), primary_key=True)
    nominal_mm: Mapped[float] = mapped_column(Float(53), primary_key=True)
    n: Mapped[int] = mapped_column(Integer)
    n_formed: Mapped[int] = mapped_column(Integer)
    n_partly: Mapped[int] = mapped_column(Integer)
    mean_deviation_mm: Mapped[float | None] = mapped_column(Float(53))
    sd_deviation_mm: Mapped[float | None] = mapped_column(Float(53))
    __table_args__ = ({"sqlite_with_rowid": False},)


class RecipeRow(Base):
    """Settings that worked, and what they were proven to form."""

    __tablename__ = "recipe"
    id: Mapped[int] = _own_key()
    printer_id: Mapped[int | None] = _ref()
    material_id: Mapped[int | None] = _ref()
    status: Mapped[str] = mapped_column(String(16))
    settings: Mapped[dict[str, Any]] = mapped_column(JSON)
    details: Mapped[dict[str, Any]] = mapped_column(JSON)
    head_id: Mapped[int | None] = _ref()
    fit_id: Mapped[int | None] = _ref()
    process: Mapped[str | None] = mapped_column(String(16))
    growth: Mapped[dict[str, Any] | None] = _table_field()
    thicken: Mapped[dict[str, Any] | None] = _table_field()
    predicted: Mapped[dict[str, Any] | None] = _table_field()
    cautions: Mapped[str | None] = mapped_column(Text)


class HeadRow(Base):
    """A nozzle or a light engine."""

    __tablename__ = "head"
    id: Mapped[int] = _own_key()
    printer_id: Mapped[int | None] = _ref()
    type: Mapped[str] = mapped_column(String(16))
    size_mm: Mapped[float | None] = mapped_column(Float(53))
    details: Mapped[dict[str, Any] | None] = _table_field()


class LotRow(Base):
    """A lot of a material: one spool, one bottle, one delivery."""

    __tablename__ = "lot"
    id: Mapped[int] = _own_key()
    material_id: Mapped[int] = _ref(required=True)
    opened_utc: Mapped[str | None] = mapped_column(String(27))
    details: Mapped[dict[str, Any] | None] = _table_field()


class FitRow(Base):
    """What an experiment came to."""

    __tablename__ = "fit"
    id: Mapped[int] = _own_key()
    printer_id: Mapped[int | None] = _ref()
    head_id: Mapped[int | None] = _ref()
    material_id: Mapped[int | None] = _ref()
    plan_id: Mapped[str | None] = mapped_column(Text)
    settings: Mapped[dict[str, Any] | None] = _table_field()
    results: Mapped[dict[str, Any] | None] = _table_field()
    model: Mapped[dict[str, Any] | None] = _table_field()
    brief: Mapped[dict[str, Any] | None] = _table_field()


class DetailLimitRow(Base):
    """The smallest size of one kind of detail that a fit or a recipe was proven to form."""

    __tablename__ = "detail_limit"
    entry_id: Mapped[int] = mapped_column(_KEY, ForeignKey("entry.id"), primary_key=True)
    kind: Mapped[str] = mapped_column(String(32), primary_key=True)
    limit_mm: Mapped[float] = mapped_column(Float(53))
    a90_mm: Mapped[float | None] = mapped_column(Float(53))
    basis: Mapped[str | None] = mapped_column(Text)
    n_features: Mapped[int | None] = mapped_column(Integer)
    n_prints: Mapped[int | None] = mapped_column(Integer)
    shown_utc: Mapped[str | None] = mapped_column(String(27))
    __table_args__ = ({"sqlite_with_rowid": False},)


class EvidenceRow(Base):
    """An entry on which another one rests."""

    __tablename__ = "evidence"
    entry_id: Mapped[int] = mapped_column(_KEY, ForeignKey("entry.id"), primary_key=True)
    target_id: Mapped[int] = mapped_column(_KEY, ForeignKey("entry.id"), primary_key=True, index=True)
    __table_args__ = ({"sqlite_with_rowid": False},)


class EntryFileRow(Base):
    """A file that belongs to an entry: a model, a slicer profile, a report."""

    __tablename__ = "entry_file"
    entry_id: Mapped[int] = mapped_column(_KEY, ForeignKey("entry.id"), primary_key=True)
    role: Mapped[str] = mapped_column(String(64), primary_key=True)
    path: Mapped[str] = mapped_column(Text)
    file_sha256: Mapped[str] = mapped_column(String(64), index=True)
    n_bytes: Mapped[int] = mapped_column(BigInteger)
    __table_args__ = ({"sqlite_with_rowid": False},)


class StoredFileRow(Base):
    """The content of a file that is kept inside the record, once however many entries name it."""

    __tablename__ = "stored_file"
    file_sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    n_bytes: Mapped[int] = mapped_column(BigInteger)
    packed: Mapped[bytes] = mapped_column(LargeBinary)


class SearchDetailRow(Base):
    """The index that searches use. Derived: it may be thrown away and made again at any time.

    ``source`` is readings, fit or recipe; ``subject_key``, ``printer_key`` and ``material_key`` are the
    row numbers of the first entries of their chains of corrections, so that corrections are found too.
    """

    __tablename__ = "search_detail"
    id: Mapped[int] = mapped_column(_KEY, primary_key=True)
    entry_id: Mapped[int] = mapped_column(_KEY, ForeignKey("entry.id"), index=True)
    source: Mapped[str] = mapped_column(String(16))
    kind: Mapped[str] = mapped_column(String(32))
    limit_mm: Mapped[float] = mapped_column(Float(53))
    subject_key: Mapped[int | None] = mapped_column(_KEY, index=True)
    printer_key: Mapped[int | None] = mapped_column(_KEY)
    material_key: Mapped[int | None] = mapped_column(_KEY)
    __table_args__ = (
        Index("ix_search_detail_limit", "source", "kind", "limit_mm", "entry_id"),
        Index("ix_search_detail_printer", "printer_key", "source", "kind", "limit_mm", "entry_id"),
        Index("ix_search_detail_material", "material_key", "source", "kind", "limit_mm", "entry_id"),
        Index("ix_search_detail_both", "printer_key", "material_key", "source", "kind", "limit_mm", "entry_id"),
    )
