"""The inside of the process that plays: what it is told in, how it stands out."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Final

import msgspec

from companion.core import children
from companion.core.errors import CompanionError
from companion.sound.files.decoding import Unreadable
from companion.sound.hearing.values import AskTold, LevelTold, OtherTold, PlayState, PlayTold, StopTold, Telling

if TYPE_CHECKING:
    from companion.sound.hearing.passages import Track
    from companion.sound.hearing.player import Player, SoundOutput

MOST_MEMORY: Final = 1 << 30
_decode = msgspec.msgpack.Decoder(Telling).decode


class Stage:
    """What plays, if anything does: one player, its tracks and the device."""

    def __init__(self, opened: Callable[[str], SoundOutput] | None = None) -> None:
        self._opened = opened
        self._player: Player | None = None
        self._tracks: list[Track] = []
        self._output: SoundOutput | None = None

    def told(self, telling: Telling) -> PlayState:
        """Do what is told, and say how it stands. Raises :class:`Unreadable` and :class:`CompanionError`."""
        player = self._player
        match telling:
            case PlayTold():
                self.close()
                self._play(telling)
            case OtherTold() if player:
                player.other()
            case LevelTold() if player:
                player.set_level(telling.level_db)
            case StopTold() if player:
                player.stop()
            case AskTold() if player:
                player.look()
        return self._stands()

    def _play(self, told: PlayTold) -> None:
        from companion.sound.hearing.device import open_device
        from companion.sound.hearing.passages import Track
        from companion.sound.hearing.player import Player

        self._output = output = (self._opened or open_device)(told.device)
        try:
            for take in told.takes:
                self._tracks.append(Track(take, Path(os.fsdecode(take.path))))
            rate = output.rate_for(self._tracks[0].rate)
            self._player = player = Player(self._tracks, rate, told.level_db, again=told.again)
            player.start()
            output.begin(rate, player.fill, player.ended)
        except BaseException:
            self.close()
            raise

    def _stands(self) -> PlayState:
        player, output = self._player, self._output
        if player is None or output is None:
            return PlayState()
        track = self._tracks[player.take]
        first, last = track.passages[0], track.passages[-1]
        heard = PlayState(
            playing=not player.done.is_set(),
            take=player.take,
            at_s=track.second(player.at, player.rate),
            start_s=first.start / track.rate,
            end_s=(last.start + last.frames) / track.rate,
            rate=track.rate,
            channels=track.channels,
            device=output.name,
            device_rate=player.rate,
            problem=player.problem,
        )
        if not heard.playing:
            self.close()
        return heard

    def close(self) -> None:
        """Let device and files go."""
        player, self._player = self._player, None
        output, self._output = self._output, None
        if player:
            player.end()
        if output:
            output.stop()
        tracks, self._tracks = self._tracks, []
        if player is None or player.join():  # a file that is still being read is left to the end of the process
            for track in tracks:
                track.close()


def reply(stage: Stage, body: bytes) -> bytes:
    """Return how it stands; where it failed, what happened, where and what next."""
    try:
        return msgspec.msgpack.encode(stage.told(_decode(body)))
    except CompanionError as error:
        problem = (f"{error.what} ({error.where})" if error.where else error.what, error.do)
    except Unreadable as error:
        problem = (f"It does not read as sound: {error}", "play another, or mend the file")
    except MemoryError:
        problem = ("Reading it asks for more memory than any sample needs", "play another")
    except Exception as error:  # whatever a decoder or a device throws
        problem = (f"It cannot be played: {error or type(error).__name__}", "play another, or on another device")
    return msgspec.msgpack.encode(PlayState(problem=problem))


def main() -> None:
    """Do what is told until nobody tells anything more."""
    stage = Stage()
    try:
        needed = (
            "companion.sound.hearing.device",
            "companion.sound.hearing.passages",
            "companion.sound.hearing.player",
        )
        children.serve(lambda body: reply(stage, body), MOST_MEMORY, *needed)
    finally:
        stage.close()
