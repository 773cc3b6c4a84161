"""A test kit at a helper's: unzipped, its form filled as a text editor would leave it."""

from __future__ import annotations

import zipfile
from pathlib import Path

from companion.trials.kits import ANSWER, QUESTIONS

LAYER = """
[naming]
middle_c = "C3"

[[layers]]
name = "slate"
low_key = 62
high_key = 66
"""
GOOD = {
    "engine_version": "Example Engine 7.2",
    "edition": "full",
    "system": "Windows 11",
    "opened": "yes",
    "asked": "no",
    "keys": "yes",
    "played": "every key, soft and hard",
    "whole": "yes",
    "notes": "lovely",
}


def filled(blank: str, **answers: str) -> str:
    keys = iter(QUESTIONS)
    said = {**GOOD, **answers}
    lines = (f"{ANSWER} {said.get(next(keys), '')}" if line.startswith(ANSWER) else line for line in blank.split("\n"))
    return "\n".join(lines)


class Sent:
    """A kit at a helper's: unzipped in a folder of their own."""

    def __init__(self, kit: Path, place: Path) -> None:
        self.kit, self.code, self.place = kit, kit.stem.rpartition(" ")[2], place
        with zipfile.ZipFile(kit) as archive:
            archive.extractall(place)
        (self.folder,) = place.iterdir()
        self.form = self.folder / "Form.txt"
        self.blank = self.form.read_bytes().decode("utf-8-sig").replace("\r\n", "\n")

    def fill(self, encoding: str = "utf-16", end: str = "\r\n", **answers: str) -> Path:
        self.form.write_bytes(filled(self.blank, **answers).replace("\n", end).encode(encoding))
        return self.form

    def zipped(self, *sounds: Path, **more: bytes) -> Path:
        path = self.place / "back.zip"
        with zipfile.ZipFile(path, "w") as archive:
            archive.write(self.form, "Form.txt")
            for sound in sounds:
                archive.write(sound, sound.name)
            for name, data in more.items():
                archive.writestr(name, data)
        return path
