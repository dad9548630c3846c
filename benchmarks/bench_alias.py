"""How much does the clipper fold back, by softness and oversampling, against an ideal low-pass?

Power off the multiples of the frequency over total power, whole band: 4999 Hz driven 6 dB over the ceiling at
48 kHz, one second, phase 0.1 rad. Ideal: the same curve at the same rate, brought back by FFT.
"""

import argparse

import numpy as np
from report import machine, save, table

from autochain.audio.signals import sine
from autochain.chain.clipper import FACTORS, STAGE, clipping_curve

RATE_HZ, FREQUENCY_HZ = 48000, 4999
SOFTNESS = (0.0, 10.0, 25.0, 50.0, 75.0, 100.0)


def off_grid_db(spectrum: np.ndarray) -> float:
    power = np.abs(spectrum) ** 2
    off = np.arange(power.size) % FREQUENCY_HZ != 0
    return float(10.0 * np.log10(power[off].sum() / power.sum()))


def clipped(drive_db: float, softness: float, oversampling: str) -> float:
    x = sine(FREQUENCY_HZ, 3.0, RATE_HZ, drive_db, phase_deg=np.rad2deg(0.1), channels=1).astype(np.float32)
    settings = STAGE.checked({"ceiling_dbfs": 0.0, "softness": softness, "oversampling": oversampling})
    y = STAGE.process(x, RATE_HZ, settings).samples
    return off_grid_db(np.fft.rfft(y[RATE_HZ : 2 * RATE_HZ, 0].astype(np.float64)))


def ideal(drive_db: float, softness: float, factor: int) -> float:
    x = sine(FREQUENCY_HZ, 1.0, factor * RATE_HZ, drive_db, phase_deg=np.rad2deg(0.1), channels=1)
    return off_grid_db(np.fft.rfft(clipping_curve(x[:, 0], 1.0, softness))[: RATE_HZ // 2])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--drive-db", type=float, default=6.0)
    args = parser.parse_args()
    where = machine()
    figures = {
        name: {s: {"db": clipped(args.drive_db, s, name), "ideal_db": ideal(args.drive_db, s, n)} for s in SOFTNESS}
        for name, n in FACTORS.items()
    }
    head = ("softness (%)", *(text for name in FACTORS for text in (f"{name} (dB)", f"ideal {name} (dB)")))
    rows = [
        (round(s), *(f for name in FACTORS for f in (figures[name][s]["db"], figures[name][s]["ideal_db"])))
        for s in SOFTNESS
    ]
    save(
        "alias", "How much does the clipper fold back?", where,
        {"rate_hz": RATE_HZ, "frequency_hz": FREQUENCY_HZ, "drive_db": args.drive_db, "alias": figures},
        f"Power off the multiples of {FREQUENCY_HZ} Hz over total power, 0 to 24 kHz; {args.drive_db:g} dB over the "
        f"ceiling at 48 kHz, float32.\n\n" + table(head, rows),
    )  # fmt: skip


if __name__ == "__main__":
    main()
