"""How the crest of the loud 50 ms windows is spread, before and after."""

from collections.abc import Iterator, Sequence

from autochain.document.axes import across, area, line, rounds, svg, upright, word

_WIDTH, _HEIGHT, _LEFT, _RIGHT, _TOP, _BOTTOM = 460.0, 190.0, 46.0, 12.0, 22.0, 24.0


def crest_picture(
    label: str,
    low_db: float,
    mix_percent: Sequence[float],
    master_percent: Sequence[float],
    medians: tuple[float, float],
) -> str:
    """Draw both spreads.

    Parameters
    ----------
    label
        What the picture shows.
    low_db
        Where the first class begins; every class is 1 dB wide.
    mix_percent, master_percent
        Share of the windows in each class.
    medians
        Of the mix and of the master, in dB.
    """
    return svg(_WIDTH, _HEIGHT, label, _parts(low_db, mix_percent, master_percent, medians))


def _parts(low_db: float, mix: Sequence[float], master: Sequence[float], medians: tuple[float, float]) -> Iterator[str]:
    width, height = _WIDTH - _LEFT - _RIGHT, _HEIGHT - _TOP - _BOTTOM
    most = max([5.0, *mix, *master])
    foot = _TOP + height

    def x(db: float) -> float:
        return _LEFT + width * (db - low_db) / max(1, len(mix))

    def steps(values: Sequence[float]) -> list[tuple[float, float]]:
        corners = []
        for k, value in enumerate(values):
            y = foot - height * value / most
            corners += [(x(low_db + k), y), (x(low_db + k + 1), y)]
        return corners

    for level in rounds(0.0, most, 5):
        yield across(_LEFT, width, foot - height * level / most)
        yield word(_LEFT - 6.0, foot - height * level / most + 4.0, f"{level:.0f}", "end")
    yield area([(x(low_db), foot), *steps(mix), (x(low_db + len(mix)), foot)], "area")
    yield line(steps(master), "line")
    for median, kind in zip(medians, ("tick", "target"), strict=True):
        yield upright(x(median), _TOP, height, kind)
    for db in rounds(low_db, low_db + len(mix), 8):
        yield word(x(db), _HEIGHT - 8.0, f"{db:.0f} dB", "middle" if db < low_db + len(mix) else "end")
    yield word(_LEFT, _TOP - 9.0, "% of the loud windows")
