"""Test pieces: features, layouts, solids, export. Knows nothing of scans."""

from __future__ import annotations

from sharpset.pieces.code import CODE_BITS, RunCode, decode_bits, encode_run_id
from sharpset.pieces.export import write_piece
from sharpset.pieces.geometry import feature_shape
from sharpset.pieces.ladder import preferred_numbers, size_ladder
from sharpset.pieces.model import FEATURE_COLUMNS, Mark, Piece, ScaleLine, load_piece
from sharpset.pieces.stencil import make_stencil, stencil_from_brief

__all__ = [
    "CODE_BITS",
    "FEATURE_COLUMNS",
    "Mark",
    "Piece",
    "RunCode",
    "ScaleLine",
    "decode_bits",
    "encode_run_id",
    "feature_shape",
    "load_piece",
    "make_stencil",
    "preferred_numbers",
    "size_ladder",
    "stencil_from_brief",
    "write_piece",
]
