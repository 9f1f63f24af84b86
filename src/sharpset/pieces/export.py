"""Write a piece folder: description, table of features, solids, picture."""

from __future__ import annotations

import json
from pathlib import Path

from sharpset.errors import PieceError
from sharpset.files import whole_file
from sharpset.pieces.model import Piece

__all__ = ["write_piece"]


def write_piece(piece: Piece, folder: Path | str, *, preview: bool = True) -> Path:
    """Write ``piece.json``, ``features.csv``, ``piece.3mf``, ``piece.stl`` and ``preview.png``.

    Parameters
    ----------
    piece : Piece
    folder : path
        Made where it is not there; files of the same names are replaced.
    preview : bool
        Whether to draw the picture.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    PieceError
        If the folder cannot be written.
    """
    from sharpset.pieces.solid import solid_of, write_3mf, write_stl

    folder = Path(folder)
    solid = solid_of(piece)
    notes = {
        "Title": f"{piece.piece_id}, run {piece.run_id}",
        "Application": "sharpset",
        "s:piece": piece.piece_id,
        "s:run": piece.run_id,
    }
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with whole_file(folder / "features.csv") as place:
            piece.features.to_csv(place, index=False, lineterminator="\n")
        with whole_file(folder / "piece.stl") as place:
            write_stl(solid, place)
        with whole_file(folder / "piece.3mf") as place:
            write_3mf(solid, place, metadata=notes)
        if preview:
            from sharpset.pieces.preview import write_preview

            write_preview(piece, folder / "preview.png")
        text = json.dumps(piece.to_json(), indent=1) + "\n"
        with whole_file(folder / "piece.json") as place:
            place.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise PieceError(f"{folder}: the piece cannot be written ({error.strerror}). Choose another --out.") from error
    return folder
