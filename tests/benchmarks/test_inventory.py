"""The second look at 20,000 small files against a bare walk that stats each: what any program must pay at least."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from companion.contents.inventory import take_inventory
from companion.core.cache import Cache
from companion.core.facts import Contents
from companion.core.progress import QUIET

FACTS = Contents(patches=("*.slab",), samples=("Samples/**",))


def bare(folder: Path) -> int:
    return sum(
        os.stat(os.path.join(place, name)).st_size  # noqa: PTH116, PTH118
        for place, _, names in os.walk(folder)
        for name in names
    )


@pytest.mark.benchmark
def test_second_inventory_of_twenty_thousand_files(tmp_path: Path) -> None:
    for layer in range(200):
        folder = tmp_path / "Samples" / f"Layer {layer:03}"
        folder.mkdir(parents=True)
        for note in range(100):
            (folder / f"Slate {note:03} rr1.wav").write_bytes(b"%d %d" % (layer, note))
    time.sleep(2.2)  # younger files would not be trusted
    place = tmp_path / ".companion" / "cache.sqlite3"
    with Cache(place) as cache:
        began = time.perf_counter()
        assert take_inventory(tmp_path, FACTS, cache, QUIET).hashed == 20_000
        first = time.perf_counter() - began
    walks, looks = [], []
    for _ in range(9):
        began = time.perf_counter()
        bare(tmp_path)
        walks.append(time.perf_counter() - began)
        began = time.perf_counter()
        with Cache(place) as cache:
            assert take_inventory(tmp_path, FACTS, cache, QUIET).hashed == 0
        looks.append(time.perf_counter() - began)
    ratio = min(looks) / min(walks)
    print(
        f"\n20,000 files: first inventory {first:.2f} s; bare walk {min(walks) * 1e3:.0f} ms; "
        f"second inventory {min(looks) * 1e3:.0f} ms; ratio {ratio:.2f}"
    )
    assert ratio <= 1.7
