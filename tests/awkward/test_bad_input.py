"""Bad input by the thousand: facts, evidence, records and texts of ours in which anything may stand.

Whatever it is, a command ends with an exit code of ours, says what is wrong in one line, and loses nothing: a file of
ours that cannot be read is never written over. The quick suite draws a few cases of each kind, the campaign 10,000, in
twenty pieces a kind, each drawn from a seed of its own: ``-m campaign -k "texts-piece7" -n 0 -s`` runs one of them, and
draws the same again.
"""

from __future__ import annotations

import shutil
from collections import Counter
from collections.abc import Callable
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, seed, settings

from tests.awkward.bad_input import KINDS, Files, lived_in

PIECES, IN_A_PIECE = 20, 500
"""Ten thousand cases a kind."""


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Files:
    return lived_in(tmp_path_factory.mktemp("lived in"))


def _run(name: str, lived: Callable[[], Files], place: Path, cases: int, number: int | None) -> Counter[str]:
    """Put cases of a kind through its check, each in a folder of its own; return how they ended. number: the seed."""
    kind = KINDS[name]
    files = (lived(),) if kind.ours else ()
    ended: Counter[str] = Counter()
    numbers = count()

    # What fails in a campaign is drawn again from its seed; making it smaller takes hours where it is a long text.
    phases = tuple(Phase) if number is None else (Phase.generate,)

    @given(kind.cases(*files))
    @settings(max_examples=cases, suppress_health_check=list(HealthCheck), deadline=None, database=None, phases=phases)
    def some(case: Any) -> None:
        folder = place / str(next(numbers))
        folder.mkdir()
        try:
            ended[kind.check(folder, *files, case)] += 1
        finally:
            shutil.rmtree(folder)

    (seed(number)(some) if number is not None else some)()
    return ended


@pytest.mark.timeout(600)
@pytest.mark.parametrize("kind", KINDS)
def test_bad_input(kind: str, tmp_path: Path, request: pytest.FixtureRequest) -> None:
    _run(kind, lambda: request.getfixturevalue("lived"), tmp_path, KINDS[kind].quick, None)


@pytest.mark.campaign
@pytest.mark.timeout(3600)
@pytest.mark.parametrize(
    ("kind", "piece"),
    [pytest.param(kind, piece, id=f"{kind}-piece{piece}") for kind in KINDS for piece in range(PIECES)],
)
def test_bad_input_campaign(
    kind: str, piece: int, tmp_path: Path, request: pytest.FixtureRequest, capsys: pytest.CaptureFixture[str]
) -> None:
    ended = _run(kind, lambda: request.getfixturevalue("lived"), tmp_path, IN_A_PIECE, piece)
    with capsys.disabled():
        ends = ", ".join(f"{what} {number:,}" for what, number in sorted(ended.items()))
        print(f"\n{kind}, piece {piece}: {ended.total():,} cases ({ends})")
