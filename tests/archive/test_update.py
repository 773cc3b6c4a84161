from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from companion.archive.build import pending_archive
from companion.archive.inspect import inspect
from companion.archive.plan import ArchivePlan
from companion.archive.record import ReleaseRecord
from companion.archive.update import plan_update, prove_update
from companion.core.errors import CompanionError
from companion.core.progress import QUIET

Planned = Callable[..., ArchivePlan]


def build(made: ArchivePlan, target: Path) -> Path:
    with pending_archive(made, target, QUIET) as new:
        new.accept()
    return target


OLD = {"patch": b"p1", "Samples/a.wav": b"a" * 50, "Samples/b.wav": b"b" * 60, "Samples/old.wav": b"same"}
NEW = {"patch": b"p2", "Samples/a.wav": b"a" * 50, "Samples/c.wav": b"c", "Samples/new.wav": b"same"}


def _recorded(made: ArchivePlan, version: str = "1.0") -> ReleaseRecord:
    files = tuple((member.name.partition("/")[2], member.size, member.sha256) for member in made.members)
    return ReleaseRecord(
        title="Slate Choir", version=version, archive="x.zip", size=0, sha256="", top=made.top, files=files
    )


def test_an_update_holds_what_changed_and_no_more(tmp_path: Path, planned: Planned) -> None:
    old, new = planned(tmp_path / "old", OLD), planned(tmp_path / "new", NEW)
    update, info = plan_update(new, _recorded(old))
    assert [member.name for member in update.members] == [
        "Slate Choir/Samples/c.wav",
        "Slate Choir/Samples/new.wav",
        "Slate Choir/patch",
    ]
    assert msgspec.to_builtins(info) == {
        "since": "1.0",
        "top": "Slate Choir",
        "renamed_from": "",
        "changed": ("patch",),
        "added": ("Samples/c.wav", "Samples/new.wav"),
        "removed": ("Samples/b.wav", "Samples/old.wav"),
        "full_bytes": 57,
    }


def test_old_and_update_make_the_new(tmp_path: Path, planned: Planned) -> None:
    old, new = planned(tmp_path / "old", OLD), planned(tmp_path / "new", NEW)
    before = build(old, tmp_path / "old.zip")
    update, info = plan_update(new, _recorded(old))
    over = build(update, tmp_path / "update.zip")

    assert prove_update(before, over, new.manifest, removed=info.removed, watch=QUIET) == ()
    # What is deleted goes before the update comes, which may bring it back under a name that is the same to some.
    assert prove_update(before, over, new.manifest, removed=(*info.removed, "patch"), watch=QUIET) == ()
    # The neighbours: a player who is not told what to delete, an update that lacks a file, another old archive.
    left = prove_update(before, over, new.manifest, removed=(), watch=QUIET)
    assert [(finding.path, finding.measured) for finding in left] == [
        ("Samples/b.wav", "left over from the old version"),
        ("Samples/old.wav", "left over from the old version"),
    ]
    assert all(finding.blocks and finding.rule == "archive-differs" for finding in left)
    lacking = build(msgspec.structs.replace(update, members=update.members[:-1]), tmp_path / "l.zip")
    (found,) = prove_update(before, lacking, new.manifest, removed=info.removed, watch=QUIET)
    assert (found.path, found.measured) == ("patch", "not the content of the new version")
    other = build(planned(tmp_path / "other", OLD | {"Samples/a.wav": b"A" * 50}), tmp_path / "o.zip")
    (found,) = prove_update(other, over, new.manifest, removed=info.removed, watch=QUIET)
    assert found.path == "Samples/a.wav"


def test_a_damaged_or_dangerous_old_archive_proves_nothing(
    tmp_path: Path, planned: Planned, raw_zip: Callable[..., Path]
) -> None:
    old, new = planned(tmp_path / "old", OLD), planned(tmp_path / "new", NEW)
    before = build(old, tmp_path / "old.zip")
    update, info = plan_update(new, _recorded(old))
    over = build(update, tmp_path / "update.zip")
    data = bytearray(before.read_bytes())
    data[inspect(before).members[0].data] ^= 0x10
    before.write_bytes(bytes(data))
    found = prove_update(before, over, new.manifest, removed=info.removed, watch=QUIET)
    assert any("in old.zip" in finding.measured for finding in found)
    found = prove_update(raw_zip({"name": "../x"}), over, new.manifest, removed=(), watch=QUIET)
    assert "member-escapes" in {finding.rule for finding in found}


def test_an_update_of_nothing_is_refused(tmp_path: Path, planned: Planned) -> None:
    old = planned(tmp_path / "old", OLD)
    with pytest.raises(CompanionError, match=r"Nothing in it changed since 1\.0"):
        plan_update(planned(tmp_path / "new", {"patch": b"p1"}), _recorded(old))


def test_a_renamed_top_folder_is_told(tmp_path: Path, planned: Planned) -> None:
    old, new = planned(tmp_path / "old", OLD), planned(tmp_path / "new", NEW, top="Slate Choir Two")
    update, info = plan_update(new, _recorded(old))
    assert info.renamed_from == "Slate Choir"
    assert all(member.name.startswith("Slate Choir Two/") for member in update.members)


TREES = st.dictionaries(
    st.sampled_from(["a", "b", "c/d", "c/e", "f"]), st.sampled_from([b"1", b"2", b"33"]), min_size=1
)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(TREES, TREES)
def test_any_two_versions_have_an_update_that_proves(
    planned: Planned, one: dict[str, bytes], two: dict[str, bytes]
) -> None:
    with tempfile.TemporaryDirectory() as place:
        here = Path(place)
        old, new = planned(here / "old", one), planned(here / "new", two)
        if all(one.get(path) == data for path, data in two.items()):
            with pytest.raises(CompanionError):
                plan_update(new, _recorded(old))
            return
        update, info = plan_update(new, _recorded(old))
        before = build(old, here / "old.zip")
        over = build(update, here / "update.zip")
        assert prove_update(before, over, new.manifest, removed=info.removed, watch=QUIET) == ()
        assert len(update.members) == sum(one.get(path) != data for path, data in two.items())
