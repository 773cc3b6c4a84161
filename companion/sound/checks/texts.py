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
    means="A floating-point file holds values that are not numbers, infinite, or 80 dB over full scale.",
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

WRONG_ROOT: Final = Rule(
    id="wrong-root",
    step="sound",
    severity=_B,
    means="A sample sounds a semitone or more away from the note it is declared to have.",
    why="One key, or a stretch of keys, plays the wrong note.",
    mend="Correct the root note in the patch and in the file's name or chunk, or exchange the recording.",
    limit="under a semitone from the declared note, as its instrument's others have it",
    source="ISO 16: A4 = 440 Hz; MIDI 1.0: note 69",
)
OFF_PITCH: Final = Rule(
    id="off-pitch",
    step="sound",
    severity=_W,
    means="A sample is out of tune with its declared note, measured against the rest of its instrument.",
    why="The key beats against its neighbours, and chords sound sour.",
    mend="Tune the sample in the patch by the cents measured here; if the detuning is meant, waive it.",
    limit="within 20 cents",
    source="Moore, An Introduction to the Psychology of Hearing: 5 to 10 cents are noticed; the limit is twice that",
)

PEAK_OVER: Final = Rule(
    id="peak-over",
    step="sound",
    severity=_W,
    means="The wave rises over full scale, or over the true peak the maker has set.",
    why="It clips as soon as something converts it to a fixed-point format, or between the samples at the output.",
    mend="Lower it by the difference, or keep it in floating point on purpose and waive this.",
    limit="samples to 0 dBFS; true peak to the limit set in the facts",
    source="AES17 (full scale); ITU-R BS.1770-5, annex 2 (true peak)",
)
DC_OFFSET: Final = Rule(
    id="dc-offset",
    step="sound",
    severity=_W,
    means="The wave does not swing around zero.",
    why="Notes start and stop with a thump, and many voices together run out of headroom.",
    mend="Take the offset out with a high-pass at a few hertz, then fade the ends.",
    limit="mean within ±0.02 of full scale",
)
LATE_ONSET: Final = Rule(
    id="late-onset",
    step="sound",
    severity=_W,
    means="There is silence before the sound begins.",
    why="The key answers late, and fast playing falls behind.",
    mend="Trim the start to a millisecond or two before the sound.",
    limit="50 ms to within 40 dB of the loudest",
    source="a delay of 20 to 50 ms is noticed by players: Lago and Kon, The Quest for Low Latency, ICMC 2004",
)
TAIL_WASTEFUL: Final = Rule(
    id="tail-wasteful",
    step="sound",
    severity=_N,
    means="The file goes on after the sound has died away.",
    why="Nobody hears it, but everybody downloads it and keeps it in memory.",
    mend="Trim the end and fade the last milliseconds.",
    limit="1 s under −72 dB of the loudest",
)
STARTS_HOT: Final = Rule(
    id="starts-hot",
    step="sound",
    severity=_W,
    means="The sound is cut into: its first sample is far from zero and there is no attack.",
    why="Each note begins with a click.",
    mend="Move the start back to where the sound begins, or to a zero crossing, and fade in over a millisecond.",
    limit="first sample under 20 % of the peak, unless an attack follows",
)
ENDS_HOT: Final = Rule(
    id="ends-hot",
    step="sound",
    severity=_W,
    means="The tail is cut off while it still sounds.",
    why="Notes that are held to the end stop with a click.",
    mend="Use the longer recording, loop it, or fade out the end.",
    limit="last millisecond under −40 dB of the loudest; looped samples are let pass",
)
CLICK_INSIDE: Final = Rule(
    id="click-inside",
    step="sound",
    severity=_W,
    means="There is a click inside a tonal sound.",
    why="Players hear a tick in the same place of the note each time.",
    mend="Look at the place given; cut it out, redraw it, or take another recording.",
    limit="nothing 7 dB above every other surprise within 25 ms, 12 dB without pitch",
    source="linear prediction: Godsill and Rayner, Digital Audio Restoration, 1998, chapter 5",
)
LOOP_SEAM: Final = Rule(
    id="loop-seam",
    step="sound",
    severity=_W,
    means="The wave breaks where the loop goes back.",
    why="A held note ticks or flutters each time round.",
    mend="Move the loop end to where the wave matches the start, or crossfade.",
    limit="the sound around the end like the sound around the start",
)
MONO_AS_STEREO: Final = Rule(
    id="mono-as-stereo",
    step="sound",
    severity=_N,
    means="Both channels are the same to the bit.",
    why="The download and the memory are twice what they need be.",
    mend="Export it as mono.",
    limit="channels that differ",
)
POLARITY_INVERTED: Final = Rule(
    id="polarity-inverted",
    step="sound",
    severity=_W,
    means="One channel is the other turned upside down.",
    why="In mono, on a phone or a club system, the sound nearly vanishes.",
    mend="Invert one channel; look for a swapped cable or a widening effect.",
    limit="correlation over −0.9",
)
DEPTH_PADDED: Final = Rule(
    id="depth-padded",
    step="sound",
    severity=_N,
    means="The lowest bits of every sample are zero: it was fewer bits once.",
    why="The file is larger than what it holds.",
    mend="Export it at the depth it has, or find the original.",
    limit="all bits used",
)
BAND_EMPTY: Final = Rule(
    id="band-empty",
    step="sound",
    severity=_N,
    means="The top of the band is empty above a cliff: it was at a lower sample rate once, or coded with loss.",
    why="It sounds duller than its format promises, and the file is larger than what it holds.",
    mend="Find the original, or keep it at the rate it came from.",
    limit="no cliff of 26 dB under 80 % of the band",
)
HUM: Final = Rule(
    id="hum",
    step="sound",
    severity=_W,
    means="Lines of the mains stand out of the noise of these recordings.",
    why="Quiet passages hum, and each voice adds its own.",
    mend="Record away from transformers with a balanced line, or take the lines out with narrow notches.",
    limit="third-highest harmonic 12 dB over its surroundings, as the median of a folder",
)
NOISE_BUILDS_UP: Final = Rule(
    id="noise-builds-up",
    step="sound",
    severity=_W,
    means="With many voices at once the noise of the recordings adds up to more than the limit.",
    why="Chords hiss.",
    mend="Take recordings with less noise, denoise the tails, or fade them earlier.",
    limit="−60 dBFS for the voices set in the facts",
    source="incoherent sources add by power: 10·log10 N dB (Kuttruff, Room Acoustics)",
)
TAKES_SAME: Final = Rule(
    id="takes-same",
    step="sound",
    severity=_W,
    means="Two round robins are one recording, perhaps at another gain or shifted.",
    why="Repeated notes sound like a machine, which is what round robins are there to avoid.",
    mend="Replace one by another recording, or take it out.",
    limit="correlation under 0.99",
)
LEVEL_STEP: Final = Rule(
    id="level-step",
    step="sound",
    severity=_W,
    means="A sample is much louder or softer than its neighbours on the keyboard.",
    why="One key jumps out, or falls into a hole.",
    mend="Match its level in the patch, or exchange it.",
    limit="within 9 dB of its neighbours",
)
DYNAMICS_INVERTED: Final = Rule(
    id="dynamics-inverted",
    step="sound",
    severity=_W,
    means="A softer dynamic is louder than the next one up.",
    why="Playing harder gets quieter.",
    mend="Exchange the two samples, or correct their names; see whether one was normalised alone.",
    limit="not over 1 dB louder than the next dynamic",
)
NOTE_GAP: Final = Rule(
    id="note-gap",
    step="sound",
    severity=_W,
    means="A layer has a hole in its keys or dynamics.",
    why="Some keys are silent, or jump to another sound at some strengths.",
    mend="Record or render what is missing, or widen the neighbours to cover it.",
    limit="no hole",
)
RANGE_OVERLAP: Final = Rule(
    id="range-overlap",
    step="sound",
    severity=_W,
    means="Two samples of a layer share some of their keys and velocities.",
    why="Both sound at once, louder and doubled, or the engine picks one by chance.",
    mend="Set the ranges so that one ends where the next begins; a crossfade that is meant may be waived.",
    limit="no overlap but between takes",
)
LAYER_UNEVEN: Final = Rule(
    id="layer-uneven",
    step="sound",
    severity=_W,
    means="One layer alone is far softer than all together.",
    why="A player who turns the other layers down hears almost nothing left.",
    mend="Raise that layer, or say in the readme that it only colours the others.",
    limit="a layer alone drops by 15 dB at most",
)
IMPULSE_LATE: Final = Rule(
    id="impulse-late",
    step="sound",
    severity=_W,
    means="An impulse response begins with silence.",
    why="The reverb comes late, and the dry sound does not line up with it.",
    mend="Trim its start; if the delay is meant, leave it to the patch.",
    limit="20 ms",
)
IMPULSE_CLIPPED: Final = Rule(
    id="impulse-clipped",
    step="sound",
    severity=_B,
    means="An impulse response is cut off at the top.",
    why="The reverb itself is distorted, on every sound that goes through it.",
    mend="Record or deconvolve it again with more headroom.",
    limit="no flat top",
)
IMPULSE_CUT: Final = Rule(
    id="impulse-cut",
    step="sound",
    severity=_W,
    means="An impulse response ends before it has died away.",
    why="The reverb stops audibly after each sound.",
    mend="Use a longer version, or fade the end.",
    limit="ends under −60 dB of its loudest",
    source="ISO 3382-1: reverberation time is for 60 dB",
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
    WRONG_ROOT,
    OFF_PITCH,
    PEAK_OVER,
    DC_OFFSET,
    LATE_ONSET,
    TAIL_WASTEFUL,
    STARTS_HOT,
    ENDS_HOT,
    CLICK_INSIDE,
    LOOP_SEAM,
    MONO_AS_STEREO,
    POLARITY_INVERTED,
    DEPTH_PADDED,
    BAND_EMPTY,
    HUM,
    NOISE_BUILDS_UP,
    TAKES_SAME,
    LEVEL_STEP,
    DYNAMICS_INVERTED,
    NOTE_GAP,
    RANGE_OVERLAP,
    LAYER_UNEVEN,
    IMPULSE_LATE,
    IMPULSE_CLIPPED,
    IMPULSE_CUT,
)
