"""Time and memory of reading a large scan, as ratios to decoding the same file.

    python benchmarks/speed.py [--repeats 5] [--dpi 1200] [--kinds png tiff tiff-lzw jpeg]

A picture of 14031 x 9267 pixels (130 megapixels, 8 bit grey: the whole glass of a large flatbed at 1200 dpi) with one
stencil on it is written as PNG, uncompressed TIFF, LZW TIFF and JPEG. For each file a fresh process measures, the file
being in the system's cache: the processor time to decode it (the decoder that sharpset itself uses), that of
``read_scan`` (decode included), and the peak of memory beyond what the imported libraries take. The uncompressed TIFF
is mapped into memory; for it the pages of the file that were really touched are counted.

Then whole commands are timed as a user waits for them, start-up and writing of tables included, by the clock and by
processor time: the help of ``sharpset read``, one small picture, the first large one, and eight small ones read one
after the other and as many at a time as is the default.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np

N_ROWS, N_COLUMNS = 9267, 14031


def make_files(folder: Path, kinds: list[str]) -> dict[str, Path]:
    """Write the piece folder and the pictures."""
    import imagecodecs
    import tifffile
    from PIL import Image

    from sharpset.pieces import make_stencil, write_piece
    from sharpset.rehearsal import Scanner, scan_pieces, virtual_printer

    piece = make_stencil(process="filament")
    write_piece(piece, folder / "piece")
    job = virtual_printer("filament", 40).print_piece(piece, {"layer_height": 0.06}, seed=1)
    seen = np.asarray(scan_pieces(job, scanner=Scanner(), seed=1).image)
    if seen.ndim == 3:
        seen = seen[..., 1]
    rng = np.random.default_rng(2)
    border = seen[:40, :40].astype(float)
    picture = np.clip(np.round(rng.normal(border.mean(), border.std(), (N_ROWS, N_COLUMNS))), 0, 255).astype(np.uint8)
    top, left = 3300, 5200
    picture[top : top + seen.shape[0], left : left + seen.shape[1]] = seen
    files = {}
    for kind in kinds:
        path = folder / f"{kind}.{kind.split('-')[0]}"
        for each, place in ((picture, path), (seen, _small(path))):
            if kind in ("png", "jpeg"):
                options = {"quality": 92} if kind == "jpeg" else {"compress_level": 6}
                Image.fromarray(each).save(place, dpi=(1200, 1200), **options)
            else:
                compression = "lzw" if kind.endswith("lzw") else None
                tifffile.imwrite(place, each, resolution=(1200, 1200), compression=compression, rowsperstrip=64)
        files[kind] = path
    assert imagecodecs is not None
    return files


def _small(path: Path) -> Path:
    """Return where the picture of the piece alone is, for the first read that warms everything up."""
    return path.with_name(f"small-{path.name}")


def measure(path: Path, piece_folder: Path, repeats: int, what: str) -> dict[str, float]:
    """Return seconds (least and median) and the peak of memory of one step in this process."""
    import cv2

    from sharpset.pieces import load_piece
    from sharpset.readings import read_scan
    from sharpset.scans import open_scan

    cv2.setNumThreads(1)
    piece = load_piece(piece_folder)
    times, n_read = [], 0
    for k in range(repeats + (what == "read")):
        if what == "read" and k == 0:
            # Once on a small picture of the same kind, so that imports and tables are not counted.
            read_scan(_small(path), piece=piece)
            base = _peak_mb()
            continue
        if k == 0:
            open_scan(_small(path))
            base = _peak_mb()
        start = time.process_time()
        if what == "read":
            n_read = len(read_scan(path, piece=piece).to_frame())
        else:
            scan = open_scan(path)
            if path.suffix == ".tiff" and "lzw" not in path.name:
                int(scan.stored[:: N_ROWS // 16].sum())
            del scan
        times.append(time.process_time() - start)
    return {"least": min(times), "median": float(np.median(times)), "mb": _peak_mb() - base, "features": n_read}


def _peak_mb() -> float:
    status = Path("/proc/self/status")
    if status.is_file():
        # Of this process alone; the other count starts from the parent's.
        line = next(line for line in status.read_text(encoding="utf-8").splitlines() if line.startswith("VmHWM"))
        return int(line.split()[1]) / 1024
    try:
        import resource
    except ImportError:  # Windows
        return float("nan")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 1024 if sys.platform != "darwin" else peak / 1024**2


def time_commands(folder: Path, kind: str, path: Path, repeats: int) -> None:
    """Print how long whole commands take: the least clock time and the least processor time of some runs."""
    small = _small(path)
    several = folder / "several"
    several.mkdir()
    for k in range(8):
        (several / f"{k}{small.suffix}").write_bytes(small.read_bytes() + bytes([k]))
    read = ["read", "--piece", str(folder / "piece"), "--out", str(folder / "out" / "readings.csv")]
    commands = {
        "read --help": ["read", "--help"],
        f"one small {kind}": [*read, str(small)],
        f"one large {kind}": [*read, str(path)],
        "eight small, --jobs 1": [*read, str(several), "--jobs", "1"],
        "eight small": [*read, str(several)],
    }
    print(f"{'sharpset ...':24s} {'clock s':>8s} {'processor s':>12s}")
    for name, words in commands.items():
        clock, processor = [], []
        for _ in range(repeats):
            before, start = os.times(), time.perf_counter()
            done = subprocess.run(
                [sys.executable, "-m", "sharpset", *words], capture_output=True, text=True, check=False
            )
            clock.append(time.perf_counter() - start)
            after = os.times()
            processor.append(
                after.children_user + after.children_system - before.children_user - before.children_system
            )
            if done.returncode:
                raise SystemExit(done.stderr)
        print(f"{name:24s} {min(clock):8.2f} {min(processor):12.2f}")


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--kinds", nargs="*", default=["png", "tiff", "tiff-lzw", "jpeg"])
    parser.add_argument("--one", nargs=4, metavar=("PICTURE", "PIECE", "REPEATS", "WHAT"), help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.one:
        path, piece, repeats, what = args.one
        print(json.dumps(measure(Path(path), Path(piece), int(repeats), what)))
        return
    with TemporaryDirectory() as name:
        folder = Path(name)
        files = make_files(folder, args.kinds)
        size = N_ROWS * N_COLUMNS / 1024**2
        print(f"{N_COLUMNS} x {N_ROWS} pixels, {size:.0f} MB decoded")
        print(
            f"{'file':10s} {'MB':>6s} {'decode s':>9s} {'read s':>8s} {'ratio':>6s} {'peak MB':>8s} {'/ decoded':>9s}"
        )
        for kind, path in files.items():
            found = {}
            for what in ("decode", "read"):
                command = [sys.executable, __file__, "--one", str(path), str(folder / "piece"), str(args.repeats), what]
                done = subprocess.run(command, capture_output=True, text=True, check=False)
                if done.returncode:
                    raise SystemExit(done.stderr)
                found[what] = json.loads(done.stdout)
            decode, read = found["decode"], found["read"]
            print(
                f"{kind:10s} {path.stat().st_size / 1024**2:6.0f} {decode['least']:9.3f} {read['least']:8.3f} "
                f"{read['least'] / decode['least']:6.2f} {read['mb']:8.0f} {read['mb'] / size:9.2f}"
            )
        print(f"{int(read['features'])} features; least of {args.repeats} runs, one thread")
        first = next(iter(files))
        time_commands(folder, first, files[first], args.repeats)
    print(f"{platform.platform(terse=True)}, Python {platform.python_version()}, {os.cpu_count()} processors")


if __name__ == "__main__":
    main()
