#!/usr/bin/env python3
"""Reference values of an outside library for tests/checks/scipy.check.ts.

Run:  python3 tests/checks/scipy_reference.py > tests/checks/scipy-reference.json
Needs NumPy and SciPy; the tests read only the JSON. All data come from the integer generator of
tests/support/lcg.ts, so nothing but its seed has to be shared.
"""

import json
import platform

import numpy as np
import scipy
from scipy import optimize, signal, stats

SEEDS = {"x": 1, "noise of y": 2, "line": 3, "walk": 4, "sine": 5, "shape": 6, "levels": 7, "phases": 8}


def lcg(seed, n):
    state, out = seed, np.empty(n)
    for i in range(n):
        state = (1664525 * state + 1013904223) % 2**32
        out[i] = (state >> 8) / 2**24
    return out


def record(n=4096, a=0.75, d=3, noise=0.05):
    x, g = lcg(SEEDS["x"], n) - 0.5, lcg(SEEDS["noise of y"], n) - 0.5
    y, p = np.empty(n), 0.0
    for i in range(n):
        p = a * p + (1 - a) * (x[i - d] if i >= d else 0.0)
        y[i] = p + noise * g[i]
    return x, y


X, Y = record()
FS = 1000.0
rows = []


def add(name, inputs, **expected):
    rows.append({"id": name, "inputs": inputs, "expected": expected})


def some(values, at):
    """Values at a few places, with the peak of all and their sum."""
    values = np.asarray(values)
    return {"at": [int(k) for k in at], "values": values[at].tolist(),
            "peak": float(np.max(np.abs(values))), "sum": float(values.sum())}


def spectra():
    for segment, overlap, size in ((256, 128, 256), (1024, 768, 1024), (300, 100, 512)):
        kw = dict(fs=FS, window="hann", nperseg=segment, noverlap=overlap, nfft=size, detrend="constant")
        f, xx = signal.welch(X, **kw)
        _, yy = signal.welch(Y, **kw)
        _, xy = signal.csd(X, Y, **kw)
        _, coherence = signal.coherence(X, Y, **kw)
        h1 = xy / xx
        at = np.unique(np.linspace(0, size // 2, 41).astype(int))
        add(f"welch-{segment}", {"fs": FS, "segment": segment, "overlap": overlap, "size": size},
            frequency=some(f, at), xx=some(xx, at), yy=some(yy, at), xy_re=some(xy.real, at),
            xy_im=some(xy.imag, at), coherence=some(coherence, at), h1_re=some(h1.real, at),
            h1_im=some(h1.imag, at))
    for kind in ("boxcar", "hann", "hamming", "blackman", "flattop"):
        periodic = signal.get_window(kind, 64, fftbins=True)
        symmetric = signal.get_window(kind, 65, fftbins=False)
        add(f"window-{kind}", {"length": [64, 65]}, periodic=periodic.tolist(), symmetric=symmetric.tolist(),
            noise_bandwidth=float(64 * np.sum(periodic**2) / np.sum(periodic) ** 2))
    lines = [10, 40, 333, 1500]
    f, power = signal.periodogram(Y, FS, window="flattop", detrend=False, scaling="spectrum")
    add("flattop-lines", {"bins": lines}, amplitude=np.sqrt(2 * power[lines]).tolist())
    f, density = signal.periodogram(Y, FS, window="hann", detrend="constant")
    band = (f >= 20) & (f <= 180)
    add("band-power", {"from": 20, "to": 180}, power=float(density[band].sum() * f[1]))
    period = 512
    bins = [1, 3, 17, 100, 250]
    found = [2 / period * np.fft.rfft(Y[i * period:(i + 1) * period])[bins] for i in range(8)]
    add("lines-of-periods", {"period": period, "periods": 8, "bins": bins},
        re=[c.real.tolist() for c in found], im=[c.imag.tolist() for c in found])
    # A multisine whose lines lie so low that samples may be thinned before the transform.
    turns = 2 * np.pi * lcg(SEEDS["phases"], 6)
    held = [1, 2, 5, 9, 14, 20]
    n = np.arange(4000)
    wave = sum((k + 1) * np.cos(2 * np.pi * held[k] * n / 2000 + turns[k]) for k in range(6))
    found = [1 / 1000 * np.fft.rfft(wave[i * 2000:(i + 1) * 2000])[held] for i in range(2)]
    add("thinned-lines", {"period": 2000, "periods": 2, "bins": held},
        re=[c.real.tolist() for c in found], im=[c.imag.tolist() for c in found])


def filters():
    for order in (1, 2, 3, 4, 7):
        for cutoff, rate in ((100.0, 1000.0), (37.0, 20000.0)):
            sos = signal.butter(order, cutoff, fs=rate, output="sos")
            f = np.array([0.1, 0.5, 0.9, 1.0, 1.3, 2.0, 3.5]) * cutoff
            _, h = signal.freqz_sos(sos, worN=f, fs=rate)
            add(f"butterworth-{order}-{int(cutoff)}", {"order": order, "cutoff": cutoff, "rate": rate},
                frequency=f.tolist(), re=h.real.tolist(), im=h.imag.tolist())
    for order, cutoff, n in ((1, 100.0, 4096), (2, 50.0, 4096), (4, 20.0, 4096), (5, 100.0, 4096), (4, 20.0, 50)):
        sos = signal.butter(order, cutoff, fs=FS, output="sos")
        pad = min(n - 1, int(np.ceil(3 * FS / cutoff)))
        zero_phase = signal.sosfiltfilt(sos, Y[:n], padtype="odd", padlen=pad)
        once = signal.sosfilt(sos, Y[:n])
        at = np.unique(np.linspace(0, n - 1, 41).astype(int))
        add(f"zero-phase-{order}-{int(cutoff)}-{n}", {"order": order, "cutoff": cutoff, "rate": FS, "n": n, "padlen": pad},
            zero_phase=some(zero_phase, at), once=some(once, at))
    b, a = signal.butter(2, 100.0, fs=FS)
    w = [0.2, 0.5, 1.0, 1.5]
    _, delay = signal.group_delay((b, a), w=w)
    add("group-delay", {"order": 2, "cutoff": 100.0, "rate": FS, "w": w}, delay=delay.tolist())
    at = np.unique(np.linspace(0, 399, 41).astype(int))
    for half in (1, 5, 12):
        add(f"savitzky-golay-{half}", {"half": half, "n": 400, "degree": 2},
            filtered=some(signal.savgol_filter(Y[:400], 2 * half + 1, 2, mode="interp"), at))
    add("savitzky-golay-slope", {"half": 4, "n": 400, "degree": 3},
        filtered=some(signal.savgol_filter(Y[:400], 9, 3, deriv=1, mode="interp"), at))
    for n in (4096, 1000):
        size = 2 ** int(np.ceil(np.log2(n)))
        at = np.unique(np.linspace(0, n - 1, 41).astype(int))
        add(f"envelope-{n}", {"n": n, "size": size}, envelope=some(np.abs(signal.hilbert(Y[:n], size)[:n]), at))


def sines():
    n, rate, true = 1000, FS, 37.21
    t = np.arange(n) / rate
    y = 2.3 * np.cos(2 * np.pi * true * t + 0.7) + 0.4 + 0.2 * (lcg(SEEDS["sine"], n) - 0.5)

    def columns(f):
        return np.column_stack([np.cos(2 * np.pi * f * t), np.sin(2 * np.pi * f * t), np.ones(n)])

    for f in (true, 36.9):
        c, *_ = np.linalg.lstsq(columns(f), y, rcond=None)
        left = y - columns(f) @ c
        add(f"sine-3-{f}", {"n": n, "rate": rate, "frequency": f}, a=c[0], b=c[1], offset=c[2],
            residual=float(np.sqrt(np.mean(left**2))))

    def misfit(p):
        return columns(p[3]) @ p[:3] - y

    def slope(p):
        c, s, one = columns(p[3]).T
        return np.column_stack([c, s, one, 2 * np.pi * t * (p[1] * c - p[0] * s)])

    start = np.append(np.linalg.lstsq(columns(37.0), y, rcond=None)[0], 37.0)
    fit = optimize.least_squares(misfit, start, slope, method="lm", xtol=1e-15, ftol=1e-15, gtol=1e-15)
    p = fit.x
    for _ in range(5):  # the last digits: the stopping rule looks at the cost, which is flat there
        p = p - np.linalg.lstsq(slope(p), misfit(p), rcond=None)[0]
    add("sine-4", {"n": n, "rate": rate, "start": 37.0}, a=p[0], b=p[1], offset=p[2], frequency=p[3],
        residual=float(np.sqrt(np.mean(misfit(p) ** 2))))


def lines():
    x = np.arange(60) / 10
    y = 1.7 * x - 0.3 + 0.2 * (lcg(SEEDS["line"], 60) - 0.5)
    fit = stats.linregress(x, y)
    add("linregress", {"n": 60}, slope=fit.slope, intercept=fit.intercept, slope_deviation=fit.stderr,
        intercept_deviation=fit.intercept_stderr)
    cubic = np.polynomial.polynomial.polyfit(x - 2, y, 3)
    add("polyfit", {"n": 60, "at": 2, "degree": 3}, coefficients=cubic.tolist())
    c, *_ = np.linalg.lstsq(x[:, None], y, rcond=None)
    one = np.ones(60)
    strip = optimize.linprog([0, 0, 1], np.block([[x[:, None], one[:, None], -one[:, None]],
                             [-x[:, None], -one[:, None], -one[:, None]]]), np.concatenate([y, -y]),
                             bounds=[(None, None), (None, None), (0, None)], method="highs-ds")
    add("other-lines", {"n": 60}, through_zero=float(c[0]), minimax_slope=float(strip.x[0]),
        minimax_intercept=float(strip.x[1]), minimax_deviation=float(strip.x[2]))
    d = Y - Y.mean()
    add("moments", {}, mean=float(Y.mean()), deviation=float(np.std(Y, ddof=1)), range=float(np.ptp(Y)),
        autocorrelation=float(np.sum(d[1:] * d[:-1]) / np.sum(d * d)))
    step = lcg(SEEDS["levels"], 1000)
    step = np.where(np.arange(1000) < 450, -1.0, 3.0) + 0.3 * (step - 0.5)
    counts, edges = np.histogram(step, 100)
    centres = (edges[1:] + edges[:-1]) / 2
    add("histogram", {"n": 1000}, low=float(centres[np.argmax(counts[:50])]),
        high=float(centres[50 + np.argmax(counts[50:])]))
    add("block-means", {"from": 100, "count": 20, "block": 7}, means=Y[100:240].reshape(20, 7).mean(axis=1).tolist())
    means = np.convolve(Y, np.ones(50) / 50, "valid")
    add("moving-mean", {"length": 50}, least=float(means.min()))
    theta = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    u, v = 3 * np.cos(theta) + 0.1 * Y[:40], 2 * np.sin(theta + 0.3) + 0.1 * X[:40]
    add("loop-area", {"n": 40}, area=float(0.5 * np.sum(u * np.roll(v, -1) - np.roll(u, -1) * v)))


def delays():
    walk = np.cumsum(5.5 * (lcg(SEEDS["walk"], 300) - 0.5))
    wrapped = np.angle(np.exp(1j * walk))
    add("unwrap", {"n": 300}, first=float(wrapped[0]), unwrapped=some(np.unwrap(wrapped), np.arange(0, 300, 10)))
    x, y = X[:600], Y[:600]
    full = np.correlate(y, x, "full")[600 - 1 - 20:600 + 20]
    ring = np.array([np.dot(x, np.roll(y, -k)) for k in range(-20, 21)])
    add("correlate", {"n": 600, "from": -20, "to": 20}, zero=full.tolist(), periodic=ring.tolist())
    n = 800
    t = np.arange(n) / FS
    y = 1.3 * np.sin(2 * np.pi * 11 * (t - 0.0043)) + 0.2 * (lcg(SEEDS["shape"], n) - 0.5)

    def misfit(p):
        return p[1] * np.sin(2 * np.pi * 11 * (t - p[0])) - y

    def slope(p):
        angle = 2 * np.pi * 11 * (t - p[0])
        return np.column_stack([-2 * np.pi * 11 * p[1] * np.cos(angle), np.sin(angle)])

    p = optimize.least_squares(misfit, [0.003, 1], slope, method="lm", xtol=1e-15, ftol=1e-15, gtol=1e-15).x
    for _ in range(5):
        p = p - np.linalg.lstsq(slope(p), misfit(p), rcond=None)[0]
    add("shape", {"n": n, "rate": FS, "frequency": 11, "start": 0.003}, delay=p[0], gain=p[1],
        residual=float(np.sqrt(np.mean(misfit(p) ** 2))))


def statistics():
    shares = [0.6827, 0.9, 0.95, 0.9545, 0.99]
    freedom = [1, 2, 3, 5, 10, 16, 50, 1000]
    add("student", {"share": shares, "freedom": freedom},
        factor=[[float(stats.t.ppf((1 + s) / 2, v)) for v in freedom] for s in shares],
        normal=[float(stats.norm.ppf((1 + s) / 2)) for s in shares])


def sound():
    # Poles of the A-weighting as four corner frequencies, two of them double; zeros at the origin.
    fl2, fh2, fr2, d = 10**3, 10**7.8, 1e6, np.sqrt(0.5)
    c = fl2 * fh2
    b = (fr2 + c / fr2 - d * (fl2 + fh2)) / (1 - d)
    f1, f4 = (np.sqrt((-b + s * np.sqrt(b * b - 4 * c)) / 2) for s in (-1, 1))
    f2, f3 = ((3 + s * np.sqrt(5)) / 2 * 10**2.45 for s in (-1, 1))
    turn = 2 * np.pi
    f = 1000 * 10 ** (np.arange(-20, 14) / 10)
    for kind, zeros, poles in (("A", 4, [f1, f1, f2, f3, f4, f4]), ("C", 2, [f1, f1, f4, f4])):
        _, h = signal.freqs_zpk([0] * zeros, [-turn * p for p in poles], 1, turn * f)
        _, one = signal.freqs_zpk([0] * zeros, [-turn * p for p in poles], 1, [turn * 1000])
        add(f"weighting-{kind}", {"frequency": f.tolist()}, level=(20 * np.log10(np.abs(h / one[0]))).tolist())


def stability():
    J, b, B, T, delay = 0.03, 0.03, 0.3, 1e-3, 2e-3
    edges = []
    for smoothing in (None, 400, 200, 100, 50, 25):
        poles = [800] + ([smoothing] * 2 if smoothing else [])

        def edge(w):
            s = 1j * w
            g = np.exp(-s * delay) * (1 - np.exp(-s * T)) / (s * T)
            for p in poles:
                g /= 1 + s / (2 * np.pi * p)
            return -(J * s * s + b * s) / g - B * s

        w = optimize.brentq(lambda w: edge(w).imag, 1, 200, xtol=1e-14, rtol=1e-15)
        edges.append([edge(w).real, w / (2 * np.pi)])
    add("critical-stiffness", {"J": J, "b": b, "B": B, "T": T, "delay": delay, "loop": 800,
        "smoothing": [0, 400, 200, 100, 50, 25]}, edges=edges)


for part in (spectra, filters, sines, lines, delays, statistics, sound, stability):
    part()
made = {"script": "tests/checks/scipy_reference.py", "python": platform.python_version(),
        "numpy": np.__version__, "scipy": scipy.__version__, "seeds": SEEDS}
# 16 digits give back the binary64 number of nearly all values; 1e-9 of the peak is what is held.
print(json.dumps({"made": made, "rows": rows}, indent=1))
