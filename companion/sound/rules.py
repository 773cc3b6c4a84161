"""The rules of the sound step, listed."""

from typing import Final

from companion.core.rules import Rule
from companion.sound.checks import edges, files, formats, levels, pitch, unjudged, zones
from companion.sound.checks.model import SoundModel

# A rule's version is raised whenever its verdict on the same measures and facts may change; what it measures has a
# version of its own (``measures.versions``, ``zones.ZONES``, ``tuning.TUNING``).
RULES: Final[tuple[Rule[SoundModel], ...]] = (
    files.clipped,
    files.not_finite,
    files.silent,
    files.channel_dead,
    files.rate_mixed,
    files.depth_mixed,
    files.loop_invalid,
    files.duplicate,
    edges.peak_over,
    edges.dc_offset,
    edges.late_onset,
    edges.tail_wasteful,
    edges.starts_hot,
    edges.ends_hot,
    edges.click_inside,
    edges.loop_seam,
    formats.mono_as_stereo,
    formats.polarity_inverted,
    formats.depth_padded,
    formats.band_empty,
    formats.hum,
    formats.noise_builds_up,
    formats.impulse_late,
    formats.impulse_clipped,
    formats.impulse_cut,
    pitch.wrong_root,
    pitch.off_pitch,
    zones.takes_same,
    zones.note_gap,
    zones.range_overlap,
    levels.level_step,
    levels.dynamics_inverted,
    levels.layer_uneven,
    unjudged.sample_none,
    unjudged.note_unread,
    unjudged.names_open,
    unjudged.names_disagree,
    unjudged.unpitched_tuned,
)
