"""What ships, from the disk: the list and the archive's plan come to the same by two ways, and answers are evidence."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

import msgspec
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.archive.plan import plan
from companion.core.cache import Cache
from companion.core.facts import Contents, Facts, Instrument, Layer, Naming
from companion.core.folder import Places
from companion.steps.desk import Desk
from companion.steps.looks.contents import ships_of
from companion.steps.table import BY_ID

_NAMES = st.sampled_from(
    ["a.patch", "b.patch", "Samples/a_C3.wav", "Samples/b_D3.wav", "Samples/loose.wav", "todo.txt", "README.md",
     "x.pdf", "Extras/a.png", "Extras/In/b.pdf", "old/c.wav", "Samples/old/c.wav", "Thumbs.db", "Sub/.companion/x.json",
     "d.bak", "Sub/n.txt", "Hall/IR/h.wav", "terms.txt", "zones.csv", "é.txt", "[x].txt", "Log/host.log"]
)  # fmt: skip
_PATTERNS = st.lists(
    st.sampled_from(["**", "Extras/**", "*.txt", "Samples/*.wav", "old/c.wav", "x.pdf", "Sub"]), max_size=2
)
_FACTS = st.builds(
    lambda include, exclude, documents, layers, pattern: Facts(
        instrument=Instrument(title="Slate Choir", version="1.0", licence_file="terms.txt"),
        contents=Contents(
            patches=("*.patch",), include=tuple(include), exclude=tuple(exclude), documents=tuple(documents)
        ),
        layers=(Layer(name="struck", files=("Samples/a_*.wav",)),) if layers else (),
        naming=Naming(pattern="{layer}_{note}" if pattern else "", zones="zones.csv"),
    ),
    _PATTERNS, _PATTERNS, _PATTERNS, st.booleans(), st.booleans(),
)  # fmt: skip


def write(folder: Path, names: set[str], mentions: set[str]) -> None:
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(b"path\nSamples/b_D3.wav\n" if name == "zones.csv" else name.encode() * 3)
    if "a.patch" in names:
        body = b"".join(len(m.encode()).to_bytes(2, "little") + m.encode() + b"\0" for m in sorted(mentions))
        (folder / "a.patch").write_bytes(b"\x7fPAT\1\0\0\0" + body + bytes(range(256)))


@settings(max_examples=60)
@given(st.sets(_NAMES, min_size=1), st.sets(_NAMES, max_size=4), _FACTS)
def test_the_plan_of_the_archive_is_the_list(names: set[str], mentions: set[str], facts: Facts) -> None:
    folder = Path(tempfile.mkdtemp())
    try:
        write(folder, names, mentions)
        desk = Desk(Places(folder), facts, Cache(None), steps=BY_ID)
        listed = ships_of(desk)
        assert {file.path for file in listed.files} == names, "every file once, whatever becomes of it"
        assert len(listed.files) == len(names)
        ships = {file.path: file.bytes for file in listed.of("ships", "asked")}
        assert sum(one.bytes for one in (*listed.ships, *listed.asked)) == sum(ships.values())
        assert sum(one.files for one in (*listed.ships, *listed.asked, *listed.stays)) == len(names)
        # The other way: what the desk remembers to ship, of a second desk that has never looked at an account.
        other = Desk(Places(folder), facts, Cache(None), steps=BY_ID)
        files = [(e.path, folder / e.path, e.size, e.sha256) for e in other.ships]
        members = {m.name.partition("/")[2]: m.size for m in plan("Slate Choir", files).members} if files else {}
        assert members == ships
        look = BY_ID["contents"].look(other, dict)
        assert look
        told = {found.path for found in look.findings if found.rule == "stray-unasked"}
        assert told == {group.id for group in listed.groups}
        assert bool(other.asked) == bool(told), "what is asked about is in the fingerprint, and nothing else is"
    finally:
        shutil.rmtree(folder)


def test_a_fact_that_accounts_for_files_makes_the_evidence_stale_only_where_something_is_asked(tmp_path: Path) -> None:
    """A layer that was all that named a sample is taken away: what is asked about now was not judged then."""
    write(tmp_path, {"a.patch", "Samples/b_D3.wav", "Samples/a_C3.wav"}, {"Samples/b_D3.wav"})
    layered = Facts(contents=Contents(patches=("*.patch",)), layers=(Layer(name="struck", files=("Samples/a_*.wav",)),))

    def mark(facts: Facts) -> str:
        return Desk(Places(tmp_path), facts, Cache(None), steps=BY_ID).mark("contents")

    named = msgspec.structs.replace(layered, naming=Naming(pattern="{layer}_{note}"))
    assert mark(layered) == mark(named) == mark(msgspec.structs.replace(named, layers=()))
    assert mark(layered) != mark(msgspec.structs.replace(layered, layers=()))


def test_the_account_is_remembered_with_all_it_rests_on(tmp_path: Path) -> None:
    write(tmp_path, {"a.patch", "Samples/a_C3.wav", "terms.txt"}, set())
    cache = Cache(None)
    bare = Facts(contents=Contents(patches=("*.patch",)))
    stated = [
        bare,
        msgspec.structs.replace(bare, layers=(Layer(name="struck", files=("Samples/a_*.wav",)),)),
        msgspec.structs.replace(bare, naming=Naming(pattern="{layer}_{note}")),
        msgspec.structs.replace(bare, instrument=Instrument(licence_file="terms.txt")),
        bare,
    ]
    asked = [Desk(Places(tmp_path), facts, cache, steps=BY_ID).asked for facts in stated]
    assert asked[0] == asked[4]
    assert asked[1] == asked[2]
    assert len(set(asked)) == 3
    assert all(asked)


def test_a_zone_list_and_a_pattern_that_do_not_read_account_for_nothing(tmp_path: Path) -> None:
    write(tmp_path, {"a.patch", "Samples/b_D3.wav"}, set())
    for naming in (Naming(zones="gone.csv"), Naming(pattern="{nonsense}"), Naming(zones="Samples")):
        facts = Facts(contents=Contents(patches=("*.patch",)), naming=naming)
        desk = Desk(Places(tmp_path), facts, Cache(None), steps=BY_ID)
        assert [group.id for group in ships_of(desk).groups] == ["Samples/"], naming
    (tmp_path / "z.csv").write_text("path,note\nSamples/b_D3.wav,62\n", encoding="utf-8")
    naming = Naming(zones="z.csv")
    for exclude, why in ((), "“z.csv” names it"), (("z.csv",), "the zone list of the facts places it"):
        facts = Facts(contents=Contents(patches=("*.patch",), exclude=exclude), naming=naming)
        listed = ships_of(Desk(Places(tmp_path), facts, Cache(None), steps=BY_ID))
        assert {file.path: file.why for file in listed.files} == {
            "Samples/b_D3.wav": why,
            "a.patch": "a patch that players open",
            "z.csv": "you left it at home: “z.csv”" if exclude else "naming.zones of the facts names it",
        }
