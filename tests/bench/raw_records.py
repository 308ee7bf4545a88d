"""Speed and memory of raw-record analysis and of text reading, as ratios within one run.

Every contender runs in a process of its own on the same file, so that memory is its own; clocks start after imports.
The straightforward way is what one writes with scipy in ten lines: the whole file in memory, the analytic signal of one
channel after another by scipy.signal.hilbert, magnitude and phase against the control, a moving average, rows.
"""

from __future__ import annotations

import importlib
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from reportgen.records.log import Floats

RATE, CHANNELS, SECONDS = 51200, 16, 260
FROM_HZ, TO_HZ = 20.0, 2000.0
ROWS_OF_TEXT = 1_300_000


def write_record(path: Path, legs: int, leg_s: float, channels: int = CHANNELS) -> None:
    """Sweeps up and down in turn, so many, on channels of float32, with noise, written in pieces."""
    import soundfile

    rng = np.random.default_rng(0)
    size, lag = np.linspace(0.1, 0.2, channels), np.linspace(0.0, 1.0, channels)
    with soundfile.SoundFile(path, "w", RATE, channels, format="WAV", subtype="FLOAT") as sound:
        for begin in range(0, round(legs * leg_s * RATE), 1 << 18):
            t = np.arange(begin, min(begin + (1 << 18), round(legs * leg_s * RATE))) / RATE
            turn = np.exp(2j * np.pi * np.mod(_cycles(t, leg_s), 1.0))[:, None]
            noise = rng.standard_normal((len(t), channels), dtype=np.float32)
            sound.write(((turn * np.exp(-1j * lag)).real * size + 0.002 * noise).astype(np.float32))


def _cycles(t: Floats, leg_s: float) -> Floats:
    """Phase of exponential sweeps from FROM_HZ to TO_HZ and back: f (e^{kt} − 1)/k, mirrored on the way down."""
    k = np.log(TO_HZ / FROM_HZ) / leg_s
    leg, inside = np.divmod(t, leg_s)
    whole = (TO_HZ - FROM_HZ) / k
    up = FROM_HZ * np.expm1(k * inside) / k
    down = whole - FROM_HZ * np.expm1(k * (leg_s - inside)) / k
    cycles: Floats = leg * whole + np.where(leg % 2 == 0, up, down)
    return cycles


def write_text(path: Path) -> None:
    """A decimal-comma table with a preamble, Windows-1252, nine columns."""
    rng = np.random.default_rng(1)
    with path.open("w", encoding="cp1252", newline="\r\n") as stream:
        stream.write("Prüfung;Rüttler 2\nMaßstab;fest\n\n")
        stream.write(";".join(["Zeit [s]", *(f"A{k} [m/s²]" for k in range(1, 9))]) + "\n")
        for begin in range(0, ROWS_OF_TEXT, 20_000):
            values = rng.normal(size=(20_000, 8)) * 30
            stream.write(
                "".join(
                    f"{(begin + k) / RATE:.9f};".replace(".", ",")
                    + ";".join(f"{v:.7e}" for v in row).replace(".", ",")
                    + "\n"
                    for k, row in enumerate(values)
                )
            )


def ours(path: Path) -> None:
    """Read and demodulate with reportgen, all cores."""
    for name in ("scipy.interpolate", "scipy.linalg", "scipy.ndimage", "soundfile"):
        importlib.import_module(name)  # so that the clock starts after them

    import soundfile

    from reportgen.compute.demodulation.demodulation import demodulate
    from reportgen.read.time_history import read_time_history

    started = _started()
    channels = soundfile.info(str(path)).channels
    mapping = [(f"A{k}", f"channel {k} / (50 g)") for k in range(1, channels + 1)]
    history, _ = read_time_history(path, path.name, mapping)
    assert history is not None
    log = demodulate(history, "A1", ["A1"], workers=os.cpu_count() or 1)
    _told(started, rows=len(log.frequency_hz))


def straightforward(path: Path) -> None:
    """Read and demodulate in the plainest way."""
    from scipy.io import wavfile
    from scipy.ndimage import uniform_filter1d
    from scipy.signal import hilbert

    started = _started()
    _, samples = wavfile.read(path)
    rows, control = [], None
    for channel in range(samples.shape[1]):
        analytic = hilbert(samples[:, channel].astype(np.float64) * 490.3325)
        phase = np.unwrap(np.angle(analytic))
        control = phase if control is None else control
        rows.append((uniform_filter1d(np.abs(analytic), 2048)[::1024], uniform_filter1d(phase - control, 2048)[::1024]))
    _told(started, rows=len(rows[0][0]))


def text_ours(path: Path) -> None:
    """Read the text with delimiter, decimal sign, encoding, header and units found."""
    import pandas  # noqa: F401 - loaded before the clock starts

    from reportgen.read.time_history import read_time_history

    started = _started()
    history, findings = read_time_history(path, path.name)
    assert history is not None, findings
    _told(started, rows=history.samples)


def text_pandas(path: Path) -> None:
    """Read the text with everything told."""
    import pandas as pd

    started = _started()
    frame = pd.read_csv(path, sep=";", decimal=",", skiprows=3, encoding="cp1252", engine="c", dtype=np.float64)
    _told(started, rows=len(frame))


def _started() -> tuple[float, float]:
    return time.perf_counter(), time.process_time()


def _told(started: tuple[float, float], **more: int) -> None:
    wall, processor = time.perf_counter() - started[0], time.process_time() - started[1]
    print(json.dumps({"wall_s": wall, "processor_s": processor, "peak_mb": _peak_mb(), **more}))


def _peak_mb() -> float:
    """Of this process alone: what getrusage tells on Linux begins with the peak of the process that started it."""
    status = Path("/proc/self/status")
    if status.exists():
        return next(int(line.split()[1]) / 1024 for line in status.read_text().splitlines() if line.startswith("VmHWM"))
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


CONTENDERS = {each.__name__: each for each in (ours, straightforward, text_ours, text_pandas)}


def _measured(name: str, path: Path) -> dict[str, float]:
    run_it = [sys.executable, "-W", "ignore", "-m", "tests.bench.raw_records", name, str(path)]
    done = subprocess.run(run_it, check=True, capture_output=True, text=True)
    found = json.loads(done.stdout)
    print(f"  {name:<18} {found['wall_s']:8.2f} s {found['processor_s']:8.2f} s cpu {found['peak_mb']:8.0f} MB")
    return dict(found)


def run() -> dict[str, float]:
    """Print the tables; the ratios by name."""
    ratios = {**_record_against_the_plain_way(), **_lengths(), **_text()}
    for name, (value, wanted) in ratios.items():
        print(f"  {name:<58} {value:8.2f}   wanted {wanted}")
    return {name: value for name, (value, _) in ratios.items()}


def _record_against_the_plain_way() -> dict[str, tuple[float, str]]:
    """Both ways in turn, ours before and after, so that a change of the machine's load meets both."""
    with tempfile.TemporaryDirectory() as folder:
        whole = Path(folder) / "whole.wav"
        write_record(whole, 1, SECONDS)
        megabytes = whole.stat().st_size / 1e6
        print(f"\nRaw record: {CHANNELS} channels, {RATE} Hz, {SECONDS} s, float32 ({megabytes:.0f} MB)")
        before, plain, after = (_measured(each, whole) for each in ("ours", "straightforward", "ours"))
    mine = {name: (before[name] + after[name]) / 2.0 for name in before}
    return {
        "record: times faster than the straightforward way": (plain["wall_s"] / mine["wall_s"], ">= 10"),
        "record: times less processor time": (plain["processor_s"] / mine["processor_s"], "-"),
        "record: share of its memory": (mine["peak_mb"] / plain["peak_mb"], "<= 0.2"),
        "record: peak memory, MB": (mine["peak_mb"], "<= 500"),
    }


def _lengths() -> dict[str, tuple[float, str]]:
    """The same sweeps once, twice, four and eight times over; longer ones are no longer held in memory."""
    times, legs = [], (1, 2, 4, 8)
    print(f"Length: 4 channels, {RATE} Hz, sweeps of 65 s up and down")
    for count in legs:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / f"{65 * count}s.wav"
            write_record(path, count, 65.0, channels=4)
            times.append(min(_measured("ours", path)["processor_s"] for _ in range(2)))
    return {
        f"length: time for {count} times the length": (time / times[0], f"about {count}")
        for count, time in zip(legs[1:], times[1:], strict=True)
    }


def _text() -> dict[str, tuple[float, str]]:
    with tempfile.TemporaryDirectory() as folder:
        text = Path(folder) / "text.csv"
        write_text(text)
        print(f"Text: {text.stat().st_size / 1e6:.0f} MB, decimal comma, Windows-1252, {ROWS_OF_TEXT} rows")
        read, told = _measured("text_ours", text), _measured("text_pandas", text)
    return {
        "text: time over pandas told everything": (read["wall_s"] / told["wall_s"], "<= 1.2"),
        "text: processor time over that": (read["processor_s"] / told["processor_s"], "-"),
        "text: peak memory, MB": (read["peak_mb"], "<= 500"),
    }


if __name__ == "__main__":
    if len(sys.argv) == 3:
        CONTENDERS[sys.argv[1]](Path(sys.argv[2]))
    else:
        run()
