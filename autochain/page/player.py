"""The player of a page: what it says, its controls, and its sound."""

import json
from collections.abc import Iterator
from importlib.resources import files

from autochain.document.blocks import Block, Folded, Heading, Paragraph, Part, Player
from autochain.document.shell import address, spelt, text
from autochain.page.listening import Listening
from autochain.sheet.words import CAUTION
from autochain.units import number

# In reach wherever one reads: what plays, which version, where, how loud, and what the difference is.
_BAR = (
    '<div class="player" role="group" aria-label="Player"><button type="button" id="play">play</button>'
    "{songs}"
    '<span id="versions"></span><output id="state" aria-live="off"></output>'
    '<input type="range" id="where" min="0" value="0" step="0.1" aria-label="place in the sound">'
    '<label>level <input type="range" id="volume" min="-60" max="0" step="1" value="-20"> '
    '<output id="level">-20 dB</output></label>'
    '<label><input type="checkbox" id="loop"{loop}> repeat this place</label>'
    '<p id="note" class="soft" hidden>{difference}</p></div>'
)
_QUIET = "The page starts quietly; bring its level up slowly."
_SONGS = '<select id="songs" aria-label="song"></select>'
_DIFFERENCE = (
    "{second} minus {first}, 12 dB quieter. It sounds worse than it is; a rotation leaves most of the song in it. It "
    "shows where to listen, not how good it is."
)
_CHOICES = (
    '<p><button type="button" id="hide">hide the names</button>'
    '<span id="hidden" hidden><button type="button" id="prefer">I prefer what plays now</button>'
    '<button type="button" id="reveal">show the names</button></span>'
    '<button type="button" id="save">save my choices</button> <output id="revealed"></output></p>'
)
_KEYS = (
    '<p class="soft">Keys: <kbd>space</kbd> plays and pauses, <kbd>1</kbd>, <kbd>2</kbd> and so on switch, '
    "<kbd>left</kbd> and <kbd>right</kbd> go a second back and on{songs}. Times in boxes play from there{others}.</p>"
)
_SONG_KEYS = ", <kbd>n</kbd> goes to the next song and <kbd>b</kbd> to the one before"


def player_script() -> str:
    """What a page with a player runs; places of findings play with it."""
    return "".join(map(_packaged, ("playback.js", "closeups.js", "player.js")))


def player_style() -> str:
    """How the player looks."""
    return _packaged("player.css")


def _packaged(name: str) -> str:
    return files("autochain.page").joinpath(name).read_text(encoding="utf-8")


def player(
    listening: Listening,
    mix: str,
    sheet: str,
    folder: str | None = None,
    *,
    difference: bool = True,
    told: str = "",
    more: str = "",
) -> Iterator[Block]:
    """Everything of it.

    Parameters
    ----------
    listening
        What it plays.
    mix, sheet
        SHA-256 of both, by which the page knows its choices and its sound; of a page without a sheet, of its data.
    folder
        Name of the folder beside the page that holds the sound; None where the page itself does.
    difference
        Whether the second version less the first can be heard.
    told
        What was done to make the versions equally loud; empty for what holds of one song.
    more
        What else is to be said of what plays.
    """
    songs = any(window.song for window in listening.windows)
    data = {
        "rate_hz": listening.rate_hz,
        "frames": listening.frames,
        "block_frames": listening.block_frames,
        "sha256": mix,
        "sheet": sheet,
        "choices_file": "listening-choices.json",
        "folder": None if folder is None else address(folder),
        "windows": [
            {"start": w.start_s, "stop": w.stop_s, "at": w.at_s, "song": spelt(w.song)} for w in listening.windows
        ],
        "sounds": [{"name": sound.name, "gain_db": sound.gain_db} for sound in listening.sounds],
        "difference": difference,
        "flac": None if folder is not None else listening.block(0),
    }
    # "</" would end the element that holds it.
    packed = json.dumps(data, ensure_ascii=True, separators=(",", ":")).replace("<", "\\u003c")
    first, second = (sound.name for sound in listening.sounds[:2])
    others = "; the page holds no sound of the others" if len(listening.held) > 1 and not songs else ""
    bar = _BAR.format(
        songs=_SONGS if songs else "",
        loop=" checked" if folder is None else "",
        difference=text(_DIFFERENCE.format(first=first, second=f"{second[:1].upper()}{second[1:]}")),
    )
    yield Part(
        [
            Heading("Listen", mark="listen"),
            Paragraph(CAUTION, role="soft"),
            Paragraph(" ".join(filter(None, (told or _equal(listening), more, _QUIET))), role="soft"),
            Folded(
                "Without names, and keys",
                [Player(_CHOICES), Player(_KEYS.format(songs=_SONG_KEYS if songs else "", others=others))],
            ),
            Player(f'<script type="application/json" id="sound">{packed}</script>'),
        ],
        role="listen",
    )
    yield Player(bar)


def _equal(listening: Listening) -> str:
    """What was done to make the versions equally loud, and where they are not."""
    whole = all(window.at_s == window.start_s for window in listening.windows)
    over = "the whole song" if whole else "these excerpts" if len(listening.windows) > 1 else "this excerpt"
    turned = ", ".join(
        f"{sound.name} {number(-sound.gain_db, 'dB')}" for sound in listening.sounds if sound.gain_db < -0.05
    )
    told = f"All versions are equally loud over {over}"
    told += f"; turned down: {turned}." if turned else "."
    if len(listening.windows) > 1 and listening.apart_lu >= 0.1:
        among = " and ".join(sound.name for sound in listening.sounds) if len(listening.sounds) == 2 else "versions"
        told += f" In a single place {among} are up to {number(listening.apart_lu, 'LU')} apart."
    return told
