"""The sheet as one page: its words with the song in pictures, and what plays."""

import hashlib
from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from autochain.compare.report import spectrum_figure
from autochain.document.as_html import html
from autochain.document.blocks import Block, Figure, Heading, Part
from autochain.document.shell import page
from autochain.measure.band_changes import BandChange
from autochain.measure.loudness import weighted_hops
from autochain.page.closeups import Looks, look_at
from autochain.page.extracts import Extract, Room
from autochain.page.findings_part import findings_shown, how_it_plays, marks_of, packaged
from autochain.page.listening import Listening, excerpts_of, songs_of
from autochain.page.measured import Response, balance_of, response_of, song_of, spread_of, thirds_of
from autochain.page.pictures.balance import balance_picture
from autochain.page.pictures.crest import crest_picture
from autochain.page.pictures.response import response_picture
from autochain.page.pictures.song import SongCurves, song_picture
from autochain.page.player import player, player_script, player_style
from autochain.search.facts import loudest_start_s
from autochain.search.result import Suggestion
from autochain.sheet import Sheet, to_json
from autochain.sheet.report import Shown, report
from autochain.sheet.words import SIDE_WORDS
from autochain.units import number

_SONG = (
    "The song: waveform of the mix, loudness before and after, and what every stage takes, these on one scale. Dotted: "
    "times to listen from."
)
_PLAYABLE = " A press plays from there, where the bar at the foot is filled."
_MARKS = " Wedges: what the check found, each leading to its place below."
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
_FINDINGS_BYTES = 4_000_000  # of sound: what is compared has the larger part of the page
_BLOCK_FRAMES = 1 << 18


def listening_to(found: Suggestion, sheet: Sheet, *, whole: bool = False) -> Listening:
    """What the page is to play: places of the song, or with `whole` all of it, which goes beside the page."""
    loudest_s = loudest_start_s(weighted_hops(found.mix.samples, found.mix.rate_hz))
    names = {"mix": "mix", "suggestion": "suggestion", **{side: label for side, (label, _) in SIDE_WORDS.items()}}
    return (songs_of if whole else excerpts_of)(found, names, loudest_s, _cues_s(sheet))


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
    song = song_of(found, weighted_hops(found.mix.samples, found.mix.rate_hz), _cues_s(sheet))
    looks, kept = _looks(found, sound=listening is not None)
    shown = Shown(
        player=list(player(listening, sheet.mix.sha256, sheet_hash(sheet), folder)) if listening else (),
        song=list(_song(song, looks, listening)),
        sound=list(_pictures(found, thirds_of(found) if thirds is None else thirds)),
        findings=[*how_it_plays([looks], kept), *findings_shown(looks, kept, folded=True)],
    )
    style = packaged("closeups.css") + packaged("style.css") + (player_style() if listening else "")
    script = player_script() if listening else ""
    title = f"Master settings: {sheet.mix.file}"
    return page(title, html(report(sheet, shown)), style, script, loads=folder is not None)


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


def _song(song: SongCurves, looks: Looks, listening: Listening | None) -> Iterator[Block]:
    marks = marks_of(looks)
    held = [] if listening is None else [(w.start_s, w.stop_s) for w in listening.held]
    words = _SONG + (_PLAYABLE if held else "") + (_MARKS if marks else "")
    yield Heading("The song", mark="song")
    yield Part([Figure(song_picture(words, song, marks, held), words)], role="song")


def _pictures(found: Suggestion, thirds: Sequence[BandChange]) -> Iterator[Block]:
    yield Heading("What became of the sound", mark="became")
    figures = [spectrum_figure(thirds), *_balance_and_crest(found, thirds), *_responses(response_of(found))]
    yield Part(figures, role="pair")


def _balance_and_crest(found: Suggestion, thirds: Sequence[BandChange]) -> Iterator[Block]:
    words = _BALANCE + (_REFERENCES if found.references else "")
    yield Figure(balance_picture(words, *balance_of(thirds, found.references)), words)
    spread = spread_of(found)
    if spread is not None:
        drawn = crest_picture(_SPREAD, spread.low_db, spread.mix_percent, spread.master_percent, spread.medians)
        medians = " to ".join(number(median, "dB") for median in spread.medians)
        yield Figure(drawn, f"{_SPREAD} The median goes from {medians}.")


def _responses(response: Response) -> Iterator[Block]:
    if response.mid_db is not None:
        curves = [("line", response.mid_db)]
        if response.side_db is not None:
            curves.append(("second", response.side_db))
        yield Figure(response_picture(_EQUALISERS, "dB", response.freq_hz, curves, 3.0), _EQUALISERS)
    if response.phase_deg is not None:
        drawn = response_picture(_ROTATION, "degrees", response.freq_hz, [("line", response.phase_deg)], 90.0)
        yield Figure(drawn, _ROTATION)
