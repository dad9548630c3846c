"""What a mix brings along for the work ahead: level, peaks, density, balance, mono, low end, asymmetry."""

from collections.abc import Iterator

import numpy as np

from autochain.measure.inspection import Inspection
from autochain.measure.loudness import SHORT_TERM_HOPS, centre_s
from autochain.measure.measurement import LOW_END_HZ
from autochain.measure.spectrum import share_under_db
from autochain.measure.stereo import band_balances_db
from autochain.prepare.finding import Finding
from autochain.prepare.limits import Limits
from autochain.units import number

# A channel that is turned up leans in every band and all the time; parts on one side do not. Of 15 recordings, 4 of
# which lean by more than 1 dB as a whole, none leans by half of that or more in every band and nearly all the time.
_ALIKE = 0.5
_NEARLY_ALL = 5.0  # %: the windows that lean least are left out
_TURNED_OVER = 0.9  # share of the loud windows in which a channel that is turned over works against the other
_LEAST_LOW_DB = -20.0  # bass that has less than a hundredth of the energy is no loss. a limit of this project


def levels(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    """Findings of this kind."""
    yield from _loudness(seen, limits)
    yield from _true_peak(seen, limits)
    yield from _limited(seen, limits)
    yield from _imbalance(seen, limits)
    yield from _mono(seen, limits)
    yield from _low_end(seen, limits)
    yield from _subsonic(seen, limits)
    yield from _asymmetry(seen, limits)


def _loudness(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    lufs = seen.measured.figures.integrated_lufs
    band = f"{limits.quietest_lufs:g} to {limits.loudest_lufs:g} LUFS"
    if lufs is None:
        yield Finding(
            code="loudness",
            text="Nothing in the file is loud enough to have a loudness.",
            suggestion="Check what was exported.",
            value=None,
            unit="LUFS",
            sends_back=True,
        )
    elif not limits.quietest_lufs <= lufs <= limits.loudest_lufs:
        quiet = lufs < limits.quietest_lufs
        over_lu = limits.quietest_lufs - lufs if quiet else lufs - limits.loudest_lufs
        yield Finding(
            code="loudness",
            text=f"The loudness is {number(lufs, 'LUFS')}, {number(over_lu, 'LU')} "
            f"{'under' if quiet else 'over'} what is usual for a mix ({band}).",
            suggestion="Turn it up at the output; a 24-bit file loses nothing."
            if quiet
            else "If a limiter or clipper sits on the mix bus, take it off; otherwise turn the mix down.",
            value=lufs,
            unit="LUFS",
            usual=limits.quietest_lufs if quiet else limits.loudest_lufs,
        )


def _true_peak(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    peak = seen.measured.figures.true_peak_dbtp
    if peak is None or limits.lowest_peak_dbtp <= peak <= limits.highest_peak_dbtp:
        return
    low = peak < limits.lowest_peak_dbtp
    usual = limits.lowest_peak_dbtp if low else limits.highest_peak_dbtp
    off, over = number(abs(peak - usual), "dB"), peak > 0.0
    text = f"The true peak is {number(peak, 'dBTP', signed=over)}, {off} {'under' if low else 'over'} what is usual "
    if low:
        text += "for a mix; nothing is lost by it in a 24-bit file."
        suggestion = "Leave it, or turn it up at the output."
    else:
        # Peaks between the samples are not lost; samples cut off at full scale are told as `clipped`.
        text += "for a mix" + (", and over full scale." if over else ".")
        suggestion = f"Turn the mix down by {off} or more" + (
            " before anything that cannot pass full scale; a float file loses nothing by it." if over else "."
        )
    yield Finding(code="true_peak", text=text, suggestion=suggestion, value=peak, unit="dBTP", usual=usual)


def _limited(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    plr, density = seen.measured.figures.plr_db, seen.peak_density
    low = plr is not None and plr < limits.least_plr_db
    held = density is not None and density > limits.peak_density
    share = "" if density is None else f"{number(100.0 * density, '%', 0)} of the loud moments reach within 0.5 dB of "
    if plr is not None and low:
        at_s = seen.measured.series.psr.min_at_s
        yield Finding(
            code="limited",
            text=f"The peak-to-loudness ratio is {number(plr, 'dB')}, {number(limits.least_plr_db - plr, 'dB')} under "
            "what is usual for a mix"
            + (f", and {share}the highest sample: it has been limited or clipped already." if held else
               ": it may have been limited or clipped already."),
            suggestion="Take the limiter off the mix bus and export it again. As it is, it should only be turned down."
            if held
            else "If a limiter or clipper sits on the mix bus, supply a version without it.",
            value=plr,
            unit="dB",
            usual=limits.least_plr_db,
            times_s=() if at_s is None else (at_s,),
            certainty="certain" if held else "likely",
            sends_back=held,
        )
    elif density is not None and held:
        yield Finding(
            code="limited",
            text=f"{share}the song's highest sample ({number(100.0 * limits.peak_density, '%', 0)} being usual): "
            "peaks have been held there.",
            suggestion="If a limiter or clipper sits on the mix bus, supply a version without it.",
            value=100.0 * density,
            unit="%",
            usual=100.0 * limits.peak_density,
            certainty="likely",
        )


def _imbalance(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    db = seen.measured.figures.channel_imbalance_db
    silent = seen.mono is not None and db is None
    if silent:
        yield Finding(
            code="imbalance",
            text="One of both channels is silent.",
            suggestion="Check routing and panning, and export the mix again.",
            value=None,
            unit="dB",
            sends_back=True,
        )
    elif db is not None and abs(db) > limits.imbalance_db:
        side, alike = "left" if db > 0.0 else "right", _leans_alike(seen, db)
        yield Finding(
            code="imbalance",
            text=f"The {side} channel is {number(abs(db), 'dB')} louder over the whole song, "
            f"{number(abs(db) - limits.imbalance_db, 'dB')} over what is usual"
            + (", in every octave and nearly all the time." if alike else
               "; some octaves or moments do not lean that way, so it may be the arrangement."),
            suggestion="Check the balance of the mix bus; keep it if it is meant."
            if alike
            else "Check pan positions; keep it if it is meant.",
            value=db,
            unit="dB",
            usual=limits.imbalance_db,
            channels=side,
            certainty="certain" if alike else "doubtful",
            sends_back=alike and abs(db) > limits.imbalance_revisit_db,
        )


def _leans_alike(seen: Inspection, db: float) -> bool:
    """Whether every octave and nearly every loud 3 s lean by half as much or more to the same side."""
    octaves = [one / db for one in band_balances_db(seen.measured.spectrum)]
    windows = np.empty(0) if seen.mono is None else seen.mono.balance_db / db
    least = float(np.percentile(windows, _NEARLY_ALL)) if windows.size else 1.0
    return min([least, *octaves]) >= _ALIKE


def _mono(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    mono, whole = seen.mono, seen.measured.figures.correlation
    if mono is None or whole is None:
        return
    low = limits.correlation_revisit
    times = tuple(float(at) for at in mono.at_s[mono.correlation < low])
    turned = whole < low and bool(np.mean(mono.correlation < 0.0) >= _TURNED_OVER)
    loss = -mono.loss_db
    if whole < 0.0 or loss > limits.mono_loss_db:
        yield Finding(
            code="mono_compatibility",
            text=f"In mono the mix loses {number(loss, 'dB') if loss < 60.0 else 'nearly everything'}, unrelated "
            f"channels losing 3 dB; left and right correlate at {number(whole, decimals=2, signed=True)}"
            + (", and work against each other nearly all the time." if turned else "."),
            suggestion="Look for a channel or track with its polarity turned over, or a widener, in the mix."
            if turned
            else "Listen in mono for what disappears, and narrow it in the mix.",
            value=whole,
            unit="",
            usual=0.0,
            times_s=times,
            certainty="certain" if turned else "likely",
            sends_back=turned,
        )
    elif times:
        yield Finding(
            code="mono_compatibility",
            text="Here left and right work against each other for 3 s or longer "
            f"(correlation down to {number(float(mono.correlation.min()), decimals=2, signed=True)}).",
            suggestion="Listen there in mono; keep it if nothing important disappears.",
            value=float(mono.correlation.min()),
            unit="",
            usual=low,
            times_s=times,
            certainty="likely",
        )


def _low_end(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    low = seen.measured.figures.correlation_below_120_hz
    heard = share_under_db(seen.measured.spectrum, LOW_END_HZ) > _LEAST_LOW_DB
    if low is not None and low < limits.low_end_correlation and heard:
        yield Finding(
            code="low_end_width",
            text=f"Below {LOW_END_HZ:g} Hz left and right correlate at {number(low, decimals=2, signed=True)}: "
            "much of the bass is lost in mono.",
            suggestion="Narrow the bass in the mix, or check its polarity.",
            value=low,
            unit="",
            usual=limits.low_end_correlation,
        )


def _subsonic(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    db = seen.measured.figures.subsonic_db
    if db is not None and db > limits.subsonic_db:
        yield Finding(
            code="subsonic",
            text=f"The energy below 20 Hz lies {number(-db, 'dB')} under the whole, "
            f"{number(db - limits.subsonic_db, 'dB')} over what is usual.",
            suggestion="Cut it at 20 to 30 Hz where it comes from; it takes headroom that nobody hears.",
            value=db,
            unit="dB",
            usual=limits.subsonic_db,
        )


def _asymmetry(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    series, figures = seen.measured.series, seen.measured.figures
    db = figures.asymmetry_db
    if db is None or db <= limits.asymmetry_db:
        return
    side = "positive" if series.asymmetry.mean is not None and series.asymmetry.mean.polarity > 0 else "negative"
    loudest, at_s = _in_loudest_part(seen)
    there = "" if loudest is None else f", {number(loudest, 'dB')} in the loudest 3 s"
    yield Finding(
        code="asymmetry",
        text=f"In the loud parts the {side} peaks reach {number(db, 'dB')} further than the others{there}.",
        suggestion="A phase rotation may save limiting: the notes of the settings sheet say how much.",
        value=db,
        unit="dB",
        usual=limits.asymmetry_db,
        times_s=() if at_s is None else (at_s,),
    )


def _in_loudest_part(seen: Inspection) -> tuple[float | None, float | None]:
    """Size of the asymmetry in the loudest 3 s, and the middle of that part."""
    short_term, lean = seen.measured.series.short_term_lufs, seen.measured.series.asymmetry
    if not short_term.size:
        return None, None
    start = int(short_term.argmax())
    inside = (lean.first_hops >= start) & (lean.first_hops < start + SHORT_TERM_HOPS)
    mean = float(abs(np.mean(lean.values_db[inside]))) if inside.any() else None
    return mean, centre_s(start, SHORT_TERM_HOPS)
