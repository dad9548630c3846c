"""Plain words for what the sheet shows."""

from autochain.chain.settings import BUS_COMPRESSOR, CLIPPER, LIMITER, PEAK_COMPRESSOR, TRANSIENT
from autochain.config.coordinates import Place
from autochain.search.costs import counted_db
from autochain.units import number

# name -> (label, unit, decimals, meaning)
COSTS: dict[str, tuple[str, str, int, str]] = {
    "added_distortion_nmr_db": ("added distortion", "dB", 1, "noise-to-mask; about 0 is just audible"),
    "added_distortion_low_nmr_db": ("  of that under 200 Hz", "dB", 1, "the same for the bass bands alone"),
    "crest_loss_db": ("crest lost", "dB", 1, "peak over rms in 50 ms windows, whole and in 5 bands"),
    "onset_loss_db": ("onsets lost", "dB", 1, "how much less strong hits stand out from the sound that follows"),
    "asymmetry_reduction_db": ("one-sided reduction", "dB", 1, "peak reduction that only one polarity causes"),
    "gain_movement_db": ("gain movement", "dB", 1, "rms of gain between 0.5 and 20 Hz: pumping"),
    "contrast_loss_lu": ("contrast lost", "LU", 1, "quiet and loud parts brought closer together"),
    "image_shift_db": ("width moved", "dB", 1, "side against mid, by octaves"),
    "tilt_shift_db": ("tilt moved", "dB", 1, "bright against dark, 63 Hz to 8 kHz"),
    "short_term_overshoot_lu": ("loudest part raised", "LU", 1, "how much more that part stands out than in the mix"),
}

# What the score takes for a distortion, at a weight of 1: points by dB, as the formula gives them.
PRICED_AT_DB = (-30.0, -20.0, -15.0, -10.0)
DISTORTION_PRICE = (
    "Added distortion costs, at a weight of 1, "
    + ", ".join(f"{number(counted_db(at))} points at {number(at, 'dB', 0)}" for at in PRICED_AT_DB)
    + ". Above -15 dB each further dB costs nearly a point; below -20 dB, much less."
)

COST_COLUMNS = (
    f"Score: every cost times its weight, added up; lower is better. {DISTORTION_PRICE} Trials: nine of "
    "ten trials on target lie in this range. If it is narrow, the settings hardly change this cost."
)

# What stands beside the suggestion, by its heading.
BASELINES = (
    "Limiter alone: the best of several. Trade default: every stage at usual settings, as a careful hand might set "
    "them without measuring."
)

WHAT_MATTERS = (
    "The free settings that change the score most. Each was moved alone on the excerpts, and the drive was set again "
    "for the loudness. One step: 1 dB, a doubling or halving of time, or a tenth of the range, in the worse "
    "direction. Within the range at “may move” the score worsens by {worse_by} at most."
)

# What to listen for while a setting moves, by (stage, parameter). Common practice, no source.
WHILE_MOVING: dict[Place, str] = {
    (BUS_COMPRESSOR, "threshold_db"): "lower: the song pulls together, then the kick begins to move everything else",
    (BUS_COMPRESSOR, "attack_ms"): "shorter: hits lose their weight; longer: they jump out and the glue is gone",
    (BUS_COMPRESSOR, "release_ms"): "shorter: the level breathes with the beat; longer: quiet parts stay held down",
    (PEAK_COMPRESSOR, "threshold_db"): "lower: loud hits step back into the mix, then vocals and snare go flat",
    (PEAK_COMPRESSOR, "attack_ms"): "shorter: hits go dull; longer: they pass on to the stages behind",
    (PEAK_COMPRESSOR, "release_ms"): "shorter: grit on sustained notes; longer: a dip behind every hit",
    (CLIPPER, "ceiling_dbfs"): "lower: hits lose their edge, then bass crackles; higher: the limiter moves more",
    (CLIPPER, "softness"): "lower: short, hard edges on hits; higher: sustained bass and vocals thicken and blur",
    (TRANSIENT, "onset_db"): "higher: hits stand out, then click and poke; lower: they sink into the body",
    (LIMITER, "lookahead_ms"): "shorter: hits lose weight or crackle; longer: a dip before the hit",
    (LIMITER, "release_ms"): "shorter: bass grows rough; longer: the mix ducks behind hits and pumps",
    (LIMITER, "link_percent"): "lower: a hit on one side pulls the image to the other; higher: it ducks both sides",
}

# name -> (label, meaning), in the order of the columns that show them
SIDE_WORDS: dict[str, tuple[str, str]] = {
    "cleaner": ("cleaner", "less distortion is added."),
    "more_open": ("more open", "hits, contrast and a steady level lose less."),
}

FIGURES: tuple[tuple[str, str, str, int], ...] = (
    ("integrated_lufs", "integrated loudness", "LUFS", 1),
    ("max_short_term_lufs", "loudest short-term", "LUFS", 1),
    ("max_momentary_lufs", "loudest momentary", "LUFS", 1),
    ("loudness_range_lu", "loudness range", "LU", 1),
    ("true_peak_dbtp", "true peak, highest of three readings", "dBTP", 1),
    ("true_peak_annex2_dbtp", "  published Annex 2 filter", "dBTP", 2),
    ("true_peak_sinc49_dbtp", "  49-tap windowed sinc", "dBTP", 2),
    ("true_peak_x16_dbtp", "  long filter at 16 times the rate", "dBTP", 2),
    ("sample_peak_dbfs", "sample peak", "dBFS", 1),
    ("plr_db", "peak to loudness (PLR)", "dB", 1),
    ("psr_min_db", "peak to short-term loudness (PSR), lowest", "dB", 1),
    ("psr_median_db", "PSR, median", "dB", 1),
    ("local_crest_db", "crest in 50 ms windows, median", "dB", 1),
    ("asymmetry_db", "waveform asymmetry", "dB", 1),
    ("correlation", "correlation of left and right", "", 2),
    ("correlation_below_120_hz", "  the same below 120 Hz", "", 2),
    ("side_to_mid_db", "side against mid", "dB", 1),
    ("noise_floor_dbfs", "quietest 0.4 s, rms (a full-scale sine: -3.0)", "dBFS", 1),
    ("clipped_runs", "clipped places (3 or more equal samples at the top)", "", 0),
)

CAUTION = (
    "Masters and previews are loud. Start playback at a low volume, and protect ears and loudspeakers: published "
    "safe-listening advice (WHO and ITU-T H.870) and your local rules come before any figure here."
)

# Where nothing plays, but times to listen at are named.
LISTEN_MODERATELY = (
    "Listen at a moderate level, and do not turn up for quiet places: what follows them may be loud."
)

TRIM = "Trim: the output gain at which bypassing the stage leaves the loudness unchanged."

TIME_CONSTANTS = (
    "Attack and release: the time until a stage has followed 63 % of a step in level; other tools may count "
    "differently. Detectors differ: start at the printed threshold, then turn until the meter shows the reduction."
)

TIMES = "Times are positions in your mix. Each starts one second before the moment to listen to."
