#!/usr/bin/env python3
"""Band powers and spectral flux of known signals, as scipy computes them.

  novelty.py            writes novelty.json
  novelty.py --check    computes everything again and compares it with novelty.json (powers relative 1e-5, flux 1e-4 dB)

The framing is the finder's: periodic Hann window, hop, frame t centred on sample t*hop with silence around the signal,
eleven bands, a bin belonging to the band from whose lower edge, rounded to a bin, it lies at or above; powers are
|X|^2 * 16 / N^2. The flux is the half-wave-rectified rise in dB from frame t-5 to t+2, mean over the bands, each held
within 0..=20 dB, against 1.5 times the earlier power plus twice a floor. The transform is scipy.signal.ShortTimeFFT
(checked here against a plain numpy.fft of each frame, and, where librosa is there, against librosa.stft).
The signals are made of sines and of a linear congruential noise, so that the Rust tests make them bit for bit alike.
"""
import math
import sys

import numpy as np
from scipy import signal

from kept import keep_or_check

EDGES = [60.0, 120.0, 200.0, 320.0, 500.0, 800.0, 1300.0, 2200.0, 4000.0, 7000.0, 11000.0, 18000.0]
FLOOR = 1e-9
LEAD, LAG, CEILING = 2, 5, 20.0
# rate, window, hop: the same durations at every rate, the window a multiple of 16
FRAMINGS = [(48000, 512, 64), (44100, 464, 59), (96000, 1024, 128), (8000, 80, 11)]
# Every nth frame is kept in the file; the flux is kept whole.
KEEP_EVERY = 8


def noise(n, seed):
    """Uniform in -1..1: the high 24 bits of a 64-bit linear congruential generator (Knuth's MMIX constants)."""
    out, state = np.empty(n), seed
    for i in range(n):
        state = (state * 6364136223846793005 + 1442695040888963407) & (1 << 64) - 1
        out[i] = (state >> 40) / (1 << 23) - 1.0
    return out


def signals(rate):
    """name -> samples, 32-bit floats"""
    n = rate * 3 // 10
    t = np.arange(n) / rate
    tau = 2 * math.pi
    chirp = 0.5 * np.sin(tau * (50 * t + 0.5 * (0.4 * rate - 50) / 0.3 * t * t))
    strokes = 0.003 * noise(n, 7)
    grain = noise(n, 11)
    for at, level, hz in ((0.05, 0.9, 70.0), (0.12, 0.05, 210.0), (0.2, 0.4, 210.0), (0.225, 0.8, 210.0)):
        k = int(at * rate)
        u = np.arange(n - k) / rate
        strokes[k:] += level * (np.exp(-u / 0.04) * np.sin(tau * hz * u) + 0.3 * np.exp(-u / 0.01) * grain[k:])
    click = np.zeros(n)
    click[n // 2] = 1.0
    out = {"chirp": chirp, "strokes": strokes, "noise": 0.25 * noise(n, 3), "click": click}
    return {k: v.astype(np.float32) for k, v in out.items()}


def bins(rate, window):
    """Bins of each band: never empty below half the rate, empty above."""
    half = window // 2
    # Half up, as everywhere; Python's own round goes to the even number.
    near = lambda hz: min(math.floor(hz * window / rate + 0.5), half)
    spans = []
    for lo, hi in zip(EDGES, EDGES[1:]):
        lo, hi = near(lo), near(hi)
        spans.append((half, half) if lo >= half else (lo, max(hi, lo + 1)))
    return spans


def spectrum(x, rate, window, hop):
    """|X|^2, one row a frame"""
    hann = signal.windows.hann(window, sym=False)
    x = x.astype(np.float64)
    frames = len(x) // hop + 1
    stft = signal.ShortTimeFFT(hann, hop, rate, fft_mode="onesided", scale_to=None)
    power = np.abs(stft.stft(x, p0=0, p1=frames, padding="zeros").T) ** 2
    padded = np.concatenate([np.zeros(window // 2), x, np.zeros(window)])
    plain = np.array([np.abs(np.fft.rfft(hann * padded[t * hop: t * hop + window])) ** 2 for t in range(frames)])
    assert np.allclose(power, plain, rtol=1e-9, atol=1e-12), "scipy and numpy disagree"
    try:
        import librosa
    except ImportError:
        return power
    theirs = np.abs(librosa.stft(x, n_fft=window, hop_length=hop, window="hann", center=True, pad_mode="constant")) ** 2
    # librosa stops half a window earlier where the end of the signal is no whole hop.
    m = min(frames, theirs.shape[1])
    assert m >= frames - 1 and np.allclose(power[:m], theirs.T[:m], rtol=1e-9, atol=1e-12), "scipy and librosa disagree"
    return power


def band_powers(x, rate, window, hop):
    power = spectrum(x, rate, window, hop) * 16 / window**2
    return np.stack([power[:, lo:hi].sum(1) for lo, hi in bins(rate, window)], axis=1)


def flux(p):
    """dB, one value a frame"""
    out = np.zeros(len(p))
    now, past = p[LAG + LEAD:], p[:-(LAG + LEAD)]
    rise = 10 * np.log10(np.maximum(now, 1e-30) / np.maximum(2 * FLOOR + 1.5 * past, 1e-14))
    out[LAG:len(p) - LEAD] = np.clip(rise, 0, CEILING).mean(1)
    return out


def make():
    cases = []
    for rate, window, hop in FRAMINGS:
        for name, x in signals(rate).items():
            p = band_powers(x, rate, window, hop)
            cases.append({
                "signal": name, "rate": rate, "window": window, "hop": hop, "frames": len(p),
                "sum": float(np.abs(x.astype(np.float64)).sum()),
                "powers": [[float(f"{v:.7g}") for v in row] for row in p[::KEEP_EVERY]],
                "flux": [round(float(v), 5) for v in flux(p)],
            })
    return {
        "source": "scipy.signal.ShortTimeFFT with a periodic Hann window; the flux by numpy; see novelty.py",
        "floor": FLOOR, "keep_every": KEEP_EVERY, "edges": EDGES, "cases": cases,
    }


def difference(a, b):
    same = all(a[k] == b[k] for k in ("signal", "rate", "window", "hop", "frames"))
    if not (same and np.allclose(a["powers"], b["powers"], rtol=1e-5, atol=1e-13)
            and np.allclose(a["flux"], b["flux"], rtol=0, atol=1e-4) and math.isclose(a["sum"], b["sum"], rel_tol=1e-6)):
        return f"{b['signal']} at {b['rate']} Hz"
    return None


if __name__ == "__main__":
    sys.exit(keep_or_check(__file__, make(), difference))
