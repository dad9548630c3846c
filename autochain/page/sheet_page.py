"""The sheet as one page: result, settings, the song in pictures, listening, and the rest of the sheet's words."""

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence

import numpy as np

from autochain.chain.chain import STAGES
from autochain.compare.as_html import spectrum_figure
from autochain.document.shell import address, element, figure, page, text
from autochain.measure.band_changes import BandChange, measure_band_changes
from autochain.measure.loudness import weighted_hops
from autochain.page.closeups import Looks, look_at
from autochain.page.extracts import Extract, Room
from autochain.page.findings_part import findings_html, how_it_plays, marks_of, packaged, sounds_html
from autochain.page.from_markdown import html, inline, sections
from autochain.page.listening import Listening, excerpts_of, songs_of
from autochain.page.measured import Response, balance_of, response_of, song_of, spread_of
from autochain.page.pictures.balance import balance_picture
from autochain.page.pictures.crest import crest_picture
from autochain.page.pictures.response import response_picture
from autochain.page.pictures.song import Song, song_picture
from autochain.search.facts import loudest_start_s
from autochain.search.result import Suggestion
from autochain.sheet import Sheet, to_json, to_markdown
from autochain.sheet.findings import HEADING
from autochain.sheet.report import SET, SET_NEAREST, set_heading
from autochain.sheet.words import CAUTION, SIDES, TIMES
from autochain.units import clock, number

_SONG = (
    "The song: waveform of the mix, loudness before and after, and what every stage takes, these on one scale. Dotted: "
    "times to listen from."
)
_BALANCE = (
    "Third-octave balance of the mid channel, relative to its total. "
    "Thick line: the suggestion; thin: the mix."
)
_REFERENCES = " Area: from the lowest to the highest of the references; dots: their median."
_SPREAD = (
    "Crest, peak over rms, of the loud 50 ms windows. Area: the mix; line: the suggestion; their medians upright. "
    "Further left is denser."
)
_EQUALISERS = "What the equalisers do before everything else. Line: mid; dashes: side, where it differs."
_ROTATION = "Phase that the rotation turns; it moves no level, only the shape of the waveform."
_MARKS = " Wedges: what the check found, each leading to its place below."
_FINDINGS_BYTES = 4_000_000  # of sound: what is compared has the larger part of the page
_BLOCK_FRAMES = 1 << 18
_NARROW = ("The neighbours", "Before and after")  # many short rows: on paper in two columns
_SECTIONS_OF_ITS_OWN = (SET, SET_NEAREST, "Where to listen")


def thirds_of(found: Suggestion) -> tuple[BandChange, ...]:
    """Change of every third octave at equal loudness."""
    gain_db = (found.chosen.after.integrated_lufs or 0.0) - (found.before.integrated_lufs or 0.0)
    return measure_band_changes(found.mix.samples, found.samples, found.mix.rate_hz, gain_db)


def listening_to(found: Suggestion, sheet: Sheet, *, whole: bool = False) -> Listening:
    """What the page is to play: places of the song, or with `whole` all of it, which goes beside the page."""
    loudest_s = loudest_start_s(weighted_hops(found.mix.samples, found.mix.rate_hz))
    return (songs_of if whole else excerpts_of)(found, _names(), loudest_s, _cues_s(sheet))


def sheet_hash(sheet: Sheet) -> str:
    """SHA-256 of the sheet's JSON: choices of a listener and sound beside the page belong to one sheet."""
    return hashlib.sha256(to_json(sheet).encode()).hexdigest()


def to_html(
    found: Suggestion,
    sheet: Sheet,
    listening: Listening | None = None,
    folder: str | None = None,
    *,
    thirds: Sequence[BandChange] | None = None,
) -> str:
    """Whole document with a final newline.

    Parameters
    ----------
    found
        The result; its sound is measured for the pictures.
    sheet
        Its sheet.
    listening
        What it plays; None leaves the player out.
    folder
        Name of the folder beside the page that holds the sound; None puts the sound into the page.
    thirds
        `thirds_of` the result, where it is known already.
    """
    hops = weighted_hops(found.mix.samples, found.mix.rate_hz)
    song = song_of(found, hops, _cues_s(sheet))
    pictures = _pictures(found, thirds_of(found) if thirds is None else thirds)
    looks, kept = _looks(found, sound=listening is not None)
    style = packaged("closeups.css") + packaged("style.css")
    script = "".join(map(packaged, ("playback.js", "closeups.js", "player.js"))) if listening else ""
    body = _body(sheet, song, pictures, listening, folder, looks, kept)
    return page(f"Master settings: {sheet.mix.file}", body, style, script, loads=folder is not None)


def _looks(found: Suggestion, *, sound: bool) -> tuple[Looks, Mapping[str, Extract]]:
    """What there is to see and to hear of the findings of the check."""
    mix, room = found.mix, Room(_FINDINGS_BYTES)
    blocks = np.split(mix.samples, range(_BLOCK_FRAMES, len(mix.samples), _BLOCK_FRAMES))
    looks = look_at(
        found.readiness.findings, blocks, mix.rate_hz, mix.channels, len(mix.samples), sound=sound
    )
    room.put(looks.extracts)
    return looks, room.kept


def _cues_s(sheet: Sheet) -> list[float]:
    return [cue for entry in sheet.stages if entry.listen_for for cue in entry.cues_s]


def _names() -> dict[str, str]:
    return {"mix": "mix", "suggestion": "suggestion", **{side: label for side, (label, _) in SIDES.items()}}


def _body(
    sheet: Sheet,
    song: Song,
    pictures: Iterable[str],
    listening: Listening | None,
    folder: str | None,
    looks: Looks,
    kept: Mapping[str, Extract],
) -> Iterator[str]:
    parts = dict(sections(to_markdown(sheet)))
    first, *rest = parts
    yield f"<h1>Master settings: <bdi>{text(sheet.mix.file)}</bdi></h1>"
    yield f'<div class="lead">{_with_link(html(parts[first])) if looks.looks else html(parts[first])}</div>'
    yield element("h2", set_heading(sheet))
    yield f'<div class="set">{html(parts[set_heading(sheet)])}</div>'
    yield element("h2", "The song")
    marks = marks_of(looks)
    words = _SONG + (_MARKS if marks else "")
    yield f'<div class="song">{figure(song_picture(words, song, marks, playable=listening is not None), words)}</div>'
    yield element("h2", "Where to listen")
    yield from _cues(sheet, playable=listening is not None)
    if listening is not None:
        yield from _player(sheet, listening, folder)
    yield element("h2", "What became of the sound")
    yield '<div class="pair">'
    yield from pictures
    yield "</div>"
    for heading in rest:
        if heading == HEADING:
            yield f'<section class="findings" id="findings">{element("h2", HEADING)}'
            yield from how_it_plays([looks], kept)
            yield from findings_html(looks, kept, 3, folded=True)
            yield from sounds_html(kept)
            yield "</section>"
        elif heading not in _SECTIONS_OF_ITS_OWN:
            narrow = ' class="narrow"' if heading in _NARROW else ""
            yield f"<section{narrow}><h2>{inline(heading)}</h2>{html(parts[heading])}</section>"


def _with_link(lead: str) -> str:
    """The first screen, whose last line is the verdict on the mix, with the way to its findings."""
    before, end, after = lead.rpartition("</p>")
    return f'{before} <a href="#findings">What was found</a>.{end}{after}'


def _cues(sheet: Sheet, *, playable: bool) -> Iterator[str]:
    yield element("p", TIMES, "soft")
    yield '<ul class="cues">'
    for entry in sheet.stages:
        if entry.listen_for:
            words = text(f"{STAGES[entry.stage].label}: {'; '.join(entry.listen_for)}.")
            shown = [
                f'<button type="button" data-time="{cue:.2f}">{clock(cue)}</button>' if playable else clock(cue)
                for cue in entry.cues_s
            ]
            yield f"<li>{' '.join(shown)} {words}</li>"
    yield "</ul>"


def _pictures(found: Suggestion, thirds: Sequence[BandChange]) -> Iterator[str]:
    yield spectrum_figure(thirds)
    balance = balance_of(thirds, found.references)
    words = _BALANCE + (_REFERENCES if found.references else "")
    yield figure(balance_picture(words, *balance), words)
    spread = spread_of(found)
    if spread is not None:
        drawn = crest_picture(_SPREAD, spread.low_db, spread.mix_percent, spread.master_percent, spread.medians)
        medians = " to ".join(number(median, "dB") for median in spread.medians)
        yield figure(drawn, f"{_SPREAD} The median goes from {medians}.")
    yield from _responses(response_of(found))


def _responses(response: Response) -> Iterator[str]:
    if response.mid_db is not None:
        curves = [("line", response.mid_db)]
        if response.side_db is not None:
            curves.append(("second", response.side_db))
        yield figure(response_picture(_EQUALISERS, "dB", response.freq_hz, curves, 3.0), _EQUALISERS)
    if response.phase_deg is not None:
        drawn = response_picture(_ROTATION, "degrees", response.freq_hz, [("line", response.phase_deg)], 90.0)
        yield figure(drawn, _ROTATION)


def _player(sheet: Sheet, listening: Listening, folder: str | None) -> Iterable[str]:
    data = {
        "rate_hz": listening.rate_hz,
        "frames": listening.frames,
        "block_frames": listening.block_frames,
        "sha256": sheet.mix.sha256,
        "sheet": sheet_hash(sheet),
        "choices_file": "listening-choices.json",
        "folder": None if folder is None else address(folder),
        "windows": [{"start": w.start_s, "stop": w.stop_s, "at": w.at_s} for w in listening.windows],
        "sounds": [{"name": sound.name, "gain_db": sound.gain_db} for sound in listening.sounds],
        "flac": None if folder is not None else listening.block(0),
    }
    yield '<section class="listen" aria-label="Listening">'
    yield element("p", CAUTION, "soft")
    yield element("p", f"{_equal(listening, folder)} The page starts quietly; bring its level up slowly.", "soft")
    yield (
        '<p><button type="button" id="play">play</button> <span id="versions"></span></p>'
        f'<p><label><input type="checkbox" id="loop"{" checked" if folder is None else ""}> repeat this place</label>'
        '<label>level of the page <input type="range" id="volume" min="-60" max="0" step="1" value="-20"> '
        '<output id="level">-20 dB</output></label> <output id="state"></output></p>'
        '<input type="range" id="where" min="0" value="0" step="0.1" aria-label="place in the sound">'
        '<p id="note" class="soft" hidden>What the chain adds and takes away, 12 dB down: easily misheard as damage, '
        "and with a rotation most of the song, since that moves the waveform more than the sound. "
        "It says where to listen, not how good it is.</p>"
        '<p><button type="button" id="hide">hide the names</button>'
        '<span id="hidden" hidden><button type="button" id="prefer">I prefer what plays now</button>'
        '<button type="button" id="reveal">show the names</button></span>'
        '<button type="button" id="save">save my choices</button> <output id="revealed"></output></p>'
        '<p class="soft">Keys: <kbd>space</kbd> plays and pauses, <kbd>1</kbd>, <kbd>2</kbd> and so on switch, '
        "<kbd>left</kbd> and <kbd>right</kbd> go a second back and on. Times above jump there.</p>"
    )
    # "</" would end the element that holds it.
    packed = json.dumps(data, ensure_ascii=True, separators=(",", ":")).replace("<", "\\u003c")
    yield f'<script type="application/json" id="sound">{packed}</script>'
    yield "</section>"


def _equal(listening: Listening, folder: str | None) -> str:
    """What was done to make the versions equally loud, and where they are not."""
    whole = folder is not None or len(listening.windows) == 1
    what = "the whole songs" if whole else "these places taken together"
    turned = ", ".join(
        f"{sound.name} {number(sound.gain_db, 'dB', signed=True)}"
        for sound in listening.sounds
        if sound.gain_db < -0.05
    )
    equal = f"By the integrated loudness of {what} everything plays equally loud"
    told = f"{equal}; turned down are {turned}." if turned else f"{equal}."
    if len(listening.windows) > 1 and listening.apart_lu >= 0.1:
        told += f" In a single place mix and suggestion are up to {number(listening.apart_lu, 'LU')} apart."
    return told
