"""Recorded sweeps of real rooms: is noise told where a plain estimate finds less than 10 dB?

    pip download --no-deps --no-binary :all: --dest FOLDER scene-rir==1.3.0
    python tests/benchmarks/bench_real_recordings.py FOLDER/scene_rir-1.3.0.tar.gz

Only the data of that source distribution are read: three recordings and the sweep that was played.
The plain estimate shares nothing with the library: by third octave, the power of the recording
while the sweep passes the band, against that of as long a stretch after the sweep has ended, or of
the quietest one before; 10 lg of the product of bandwidth and time of passage is what deconvolution
gains.
"""

from __future__ import annotations

import sys
import tarfile
import tempfile
from pathlib import Path

import numpy as np
import scipy.signal
import soundfile

import roomeq

START, STOP, LENGTH = 10.0, 22000.0, 10.0  # as the sweep's file is named
GROWTH = LENGTH / np.log(STOP / START)
ROOM = """\
format = 1
name = "Real"
path = "none"
[sweep]
reference = "{sweep}"
[[measurements]]
kind = "sweep"
seat = "seat"
file = "{file}"
"""


def plain_snr(samples: np.ndarray, rate: int, reference: np.ndarray) -> dict[float, float]:
    """Return the effective signal-to-noise ratio by the centre of third octaves, in dB."""
    lags = scipy.signal.correlate(samples, reference, method="fft")
    begun = max(0, int(np.argmax(np.abs(lags))) - reference.size + 1)
    ratios = {}
    for centre in 1000.0 * 10.0 ** (np.arange(-17, -5) / 10.0):
        low, high = centre * 10**-0.05, centre * 10**0.05
        sos = scipy.signal.butter(3, (low, high), "bandpass", fs=rate, output="sos")
        band = scipy.signal.sosfiltfilt(sos, samples)
        first, last = (begun + round(GROWTH * np.log(f / START) * rate) for f in (low, high))
        passing = band[first : last + round(0.1 * rate)]
        size = max(passing.size, round(0.5 * rate))
        quiet = [band[first - k * size : first - (k - 1) * size] for k in range(3, 9)]
        quiet += [band[last + k * size : last + (k + 1) * size] for k in range(3, 12)]
        power = sorted(float(np.mean(q**2)) for q in quiet if q.size == size)
        noise = float(np.median(power)) if power else np.nan
        signal = max(float(np.mean(passing**2)) - noise, 1e-3 * noise)
        gain = 10 * np.log10((high - low) * (last - first) / rate)
        ratios[centre] = 10 * np.log10(signal / noise) + gain
    return ratios


def main(archive: Path) -> None:
    with tempfile.TemporaryDirectory() as place, tarfile.open(archive) as packed:
        folder = Path(place)
        for member in packed.getmembers():
            if member.isfile() and member.name.endswith(".wav"):
                data = packed.extractfile(member)
                if data is not None:
                    (folder / Path(member.name).name).write_bytes(data.read())
        (sweep,) = folder.glob("Sweep*.wav")
        reference, _ = soundfile.read(sweep)
        reference = reference if reference.ndim == 1 else reference[:, 0]
        for file in sorted(folder.glob("GrC*.wav")):
            samples, rate = soundfile.read(file)
            samples = samples if samples.ndim == 1 else samples[:, 0]
            (folder / "room.toml").write_text(ROOM.format(sweep=sweep.name, file=file.name))
            (recorded,) = roomeq.read_room(folder).recordings
            print(f"\n{file.name}: {samples.size / rate:.1f} s at {rate} Hz")
            for one in recorded.findings:
                span = "" if one.lowest is None else f" ({one.lowest:.3g} to {one.highest:.3g})"
                print(f"  {one.severity.value}, {one.code.value}{span}: {one.what}")
            bands = recorded.quality.bands
            ours = {round(b.centre): r for b, r in zip(bands, recorded.quality.snr_db, strict=True)}
            for centre, plain in plain_snr(samples, rate, reference).items():
                told = ours.get(round(centre), np.nan)
                print(f"  {centre:6.1f} Hz: plain {plain:6.1f} dB, told {told:6.1f} dB")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
