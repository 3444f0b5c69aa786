"""The reference workload of scoring in plain NumPy and SciPy, for tests/speed/scoring.ts.

Usage: scoring_reference.py FOLDER. Reads FOLDER/workload.json and the records it names, then one
item name a line from standard input. Answers each with one line of JSON: wall and processor seconds and
the first numbers of the result, and leaves the whole result in FOLDER/ITEM.f64.
"""

import json
import pathlib
import sys
import time

import numpy as np
from scipy import signal, stats

FOLDER = pathlib.Path(sys.argv[1])
WORK = json.loads((FOLDER / "workload.json").read_text())
RATE = WORK["rate"]
X, Y, Z, SINE = (np.fromfile(FOLDER / f"{name}.f64") for name in ("x", "y", "z", "sine"))


def spectra():
    """Densities, coherence and H1 of both pairs."""
    options = dict(fs=RATE, window="hann", nperseg=WORK["segment"], noverlap=WORK["segment"] // 2)
    result = []
    for out in (Y, Z):
        _, xx = signal.welch(X, **options)
        _, yy = signal.welch(out, **options)
        _, xy = signal.csd(X, out, **options)
        _, gamma = signal.coherence(X, out, **options)
        filled = slice(WORK["filled"])  # above, both are the quotient of nothing by nothing
        gamma, h1 = gamma[filled], (xy / xx)[filled]
        result += [xx, yy, xy.real, xy.imag, gamma, h1.real, h1.imag]
    return result


def delay():
    """Correlation over all lags; its peak, between samples by a parabola."""
    result = []
    for out in (Y, Z):
        whole = signal.fftconvolve(out, X[::-1])
        middle = len(X) - 1
        near = whole[middle - WORK["lags"] : middle + WORK["lags"] + 1]
        k = int(np.argmax(near))
        a, b, c = near[k - 1 : k + 2]
        result += [near, [k - WORK["lags"] + (a - c) / (2 * (a - 2 * b + c))]]
    return result


def smoothing():
    return [signal.savgol_filter(record, WORK["window"], WORK["degree"]) for record in (X, Y, Z)]


def levels():
    result = []
    for record in (X, Y, Z):
        counts, edges = np.histogram(record, bins=100)
        for low, high in ((0, 50), (50, 100)):
            k = low + int(np.argmax(counts[low:high]))
            result.append([(edges[k] + edges[k + 1]) / 2])
    return result


def sine():
    """Four-parameter fit: linear least squares on cosine, sine, constant and the change of frequency."""
    t = np.arange(len(SINE)) / RATE
    one = np.ones_like(t)
    frequency = WORK["start"]
    a = b = None
    for _ in range(30):
        cos, sin = np.cos(2 * np.pi * frequency * t), np.sin(2 * np.pi * frequency * t)
        columns = [cos, sin, one]
        if a is not None:
            columns.append(t * (b * cos - a * sin))
        found = np.linalg.lstsq(np.column_stack(columns), SINE, rcond=None)[0]
        step = found[3] / (2 * np.pi) if a is not None else np.inf
        a, b = found[0], found[1]
        if abs(step) <= 1e-13 * frequency:
            break
        if np.isfinite(step):
            frequency += step
    rest = SINE - np.column_stack(columns[:3]) @ found[:3]
    return [[a, b, found[2], frequency, np.sqrt(np.mean(rest**2))]]


def line():
    n = WORK["line"]
    fit = stats.linregress(X[:n], Y[:n])
    return [[fit.slope, fit.intercept]]


def alignment():
    """Shift by a fraction of a sample through the spectrum of the whole record; rms and peak apart."""
    result = []
    for out, shift in zip((Y, Z), WORK["shifts"]):
        spectrum = np.fft.rfft(out)
        spectrum *= np.exp(2j * np.pi * np.fft.rfftfreq(len(out)) * shift)
        apart = np.fft.irfft(spectrum, len(out)) - X
        result += [apart, [np.sqrt(np.mean(apart**2)), np.max(np.abs(apart))]]
    return result


ITEMS = {f.__name__: f for f in (spectra, delay, smoothing, levels, sine, line, alignment)}

for asked in sys.stdin:
    item = asked.strip()
    wall, processor = time.perf_counter(), time.process_time()
    result = ITEMS[item]()
    wall, processor = time.perf_counter() - wall, time.process_time() - processor
    whole = np.concatenate([np.asarray(part, dtype=float) for part in result])
    whole.tofile(FOLDER / f"{item}.f64")
    print(
        json.dumps(
            {
                "item": item,
                "wall": wall,
                "processor": processor,
                "length": len(whole),
                "result": whole[:4].tolist(),
            }
        ),
        flush=True,
    )
