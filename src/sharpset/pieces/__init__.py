"""Test pieces: features, layouts, solids, export. Knows nothing of scans.

Heavy modules are imported when one of their names is first used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sharpset.rooms import opened_when_asked

if TYPE_CHECKING:
    from sharpset.pieces.code import CODE_BITS, RunCode, decode_bits, encode_run_id
    from sharpset.pieces.export import write_piece
    from sharpset.pieces.geometry import feature_shape
    from sharpset.pieces.ladder import preferred_numbers, size_ladder
    from sharpset.pieces.model import FEATURE_COLUMNS, Mark, Piece, ScaleLine, load_piece
    from sharpset.pieces.stencil import make_stencil, mark_places, stencil_from_brief

_HOME = {
    "CODE_BITS": "code",
    "FEATURE_COLUMNS": "model",
    "Mark": "model",
    "Piece": "model",
    "RunCode": "code",
    "ScaleLine": "model",
    "decode_bits": "code",
    "encode_run_id": "code",
    "feature_shape": "geometry",
    "load_piece": "model",
    "make_stencil": "stencil",
    "mark_places": "stencil",
    "preferred_numbers": "ladder",
    "size_ladder": "ladder",
    "stencil_from_brief": "stencil",
    "write_piece": "export",
}

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
    "mark_places",
    "preferred_numbers",
    "size_ladder",
    "stencil_from_brief",
    "write_piece",
]

__getattr__, __dir__ = opened_when_asked(__name__, _HOME)
