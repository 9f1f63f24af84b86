"""The lock file is whole: kit.py installs it without resolving anything, so nothing may be missing from it."""

import re
from importlib.metadata import distribution
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

LOCK = Path(__file__).resolve().parents[1] / "requirements.lock"


def _entries() -> list[Requirement]:
    """What the lock file names, one requirement per entry."""
    text = LOCK.read_text(encoding="utf-8").replace("\\\n", " ")
    return [Requirement(line.split("--hash")[0].strip()) for line in text.splitlines() if line.strip()]


def test_each_entry_has_one_version_and_hashes_and_no_index_stands_in_it() -> None:
    text = LOCK.read_text(encoding="utf-8")
    assert "://" not in text
    for block in text.replace("\\\n", " ").splitlines():
        assert re.match(r"[\w.-]+==[\w.]+ ", block), block[:60]
        assert block.count("--hash=sha256:") >= 1, block[:60]


def test_what_sharpset_asks_for_is_locked_with_all_that_it_asks_for_in_turn() -> None:
    """Walks from sharpset through the requirements of what is installed; extras asked for on the way are followed."""
    locked = {canonicalize_name(entry.name) for entry in _entries()}
    waiting, seen = [("sharpset", frozenset({"dev"}))], set()
    while waiting:
        name, extras = waiting.pop()
        if (name, extras) in seen:
            continue
        seen.add((name, extras))
        for text in distribution(name).requires or []:
            wanted = Requirement(text)
            if wanted.marker and not any(wanted.marker.evaluate({"extra": extra}) for extra in extras | {""}):
                continue
            child = canonicalize_name(wanted.name)
            assert child in locked, f"{child}, asked for by {name}, is not in requirements.lock"
            waiting.append((child, frozenset(wanted.extras)))
    assert len(seen) > 50
