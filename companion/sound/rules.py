"""The rules of the sound step: pure data, light to import."""

from __future__ import annotations

from typing import Final

from companion.core.findings import Rule, Severity

_B, _W, _N = Severity.BLOCKS, Severity.WARNS, Severity.NOTES

CLIPPED: Final = Rule(
    id="clipped",
    step="sound",
    severity=_B,
    means="The tops of the wave are cut off, at full scale or at a flat top below it.",
    why="Players hear a crackle or a harshness on every note that uses this sample, and no setting takes it away.",
    mend="Record or render it again with more headroom; if the clipping is meant, waive this with the reason.",
    limit="no run of 5 samples, nor 3 runs of 3, that a wave of this slope would have risen over by 1 % or more",
)
NOT_FINITE: Final = Rule(
    id="not-finite",
    step="sound",
    severity=_B,
    means="A floating-point file holds values that are not numbers, or infinite.",
    why="An engine may fall silent, or send a full-scale bang to the speakers, when it meets one.",
    mend="Render the file again; whatever wrote it divided by zero somewhere.",
    limit="none",
    source="IEEE 754: NaN and infinities are no sample values",
)
SILENT: Final = Rule(
    id="silent",
    step="sound",
    severity=_B,
    means="The whole file is silence, or so quiet that nobody will hear it.",
    why="A key that uses it does nothing, and the player thinks the instrument is broken.",
    mend="Export it again, or take it out of the patch if the silence is meant.",
    limit="peak over −80 dBFS",
)
CHANNEL_DEAD: Final = Rule(
    id="channel-dead",
    step="sound",
    severity=_W,
    means="One channel is silent while another is not.",
    why="The sound comes from one side only.",
    mend="Export it as mono, or find out where the other channel was lost.",
    limit="each channel's peak over −80 dBFS",
)
RATE_MIXED: Final = Rule(
    id="rate-mixed",
    step="sound",
    severity=_W,
    means="The samples have different sample rates.",
    why="Some engines play the odd ones at the wrong pitch, others convert them on every note.",
    mend="Bring all samples to the rate most of them have.",
    limit="one sample rate for all samples",
)
DEPTH_MIXED: Final = Rule(
    id="depth-mixed",
    step="sound",
    severity=_W,
    means="The samples have different bit depths.",
    why="It is a sign that some were exported with other settings, and the noise floor then differs from key to key.",
    mend="Export all samples at the depth most of them have.",
    limit="one bit depth for all samples",
)
LOOP_INVALID: Final = Rule(
    id="loop-invalid",
    step="sound",
    severity=_B,
    means="A loop's points lie outside the file, or its end is not after its start.",
    why="The engine ignores the loop, so that held notes stop, or plays whatever lies behind the sample in memory.",
    mend="Set the loop again after the last edit of the file; trimming a sample moves its loop points.",
    limit="0 ≤ start < end ≤ length of the file",
    source="Multimedia Data Standards Update 3.0 (1994), smpl chunk: offsets into the waveform data",
)
DUPLICATE: Final = Rule(
    id="duplicate",
    step="sound",
    severity=_W,
    means="Two files are the same recording to the bit.",
    why="Keys or round robins that should differ are one sound; if that is meant, the download carries it twice.",
    mend="Replace one by the recording it should be, or let the patch use one file for both.",
    limit="no two files with equal samples",
)

RULES: Final[tuple[Rule, ...]] = (
    CLIPPED,
    NOT_FINITE,
    SILENT,
    CHANNEL_DEAD,
    RATE_MIXED,
    DEPTH_MIXED,
    LOOP_INVALID,
    DUPLICATE,
)
