"""One small piece per process, printed once, shared by the tests of the rehearsal."""

from __future__ import annotations

import pytest

from sharpset.pieces import Piece, make_stencil
from sharpset.rehearsal import PrintedPiece, virtual_printer


@pytest.fixture(scope="session")
def filament_piece() -> Piece:
    return make_stencil(process="filament")


@pytest.fixture(scope="session")
def resin_piece() -> Piece:
    return make_stencil(process="resin")


@pytest.fixture(scope="session")
def filament_print(filament_piece: Piece) -> PrintedPiece:
    return virtual_printer("filament").print_piece(filament_piece, {}, seed=7)


@pytest.fixture(scope="session")
def resin_print(resin_piece: Piece) -> PrintedPiece:
    return virtual_printer("resin").print_piece(resin_piece, {}, seed=7)
