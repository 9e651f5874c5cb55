#!/usr/bin/env python3
"""Loudness of known signals by an independent implementation of ITU-R BS.1770-4, in numpy and scipy.

Source: K-weighting coefficients at 48 kHz, block length, overlap and gates as in the Recommendation. Signals: noise of a
64-bit linear congruential generator in level steps, so that any language can make the same samples.
Writes loudness.json beside this script; with --check compares instead (tolerance 0.001 LU, for other builds of scipy).
"""

import json
import pathlib
import sys

import numpy as np
from scipy.signal import lfilter

RATE = 48_000
SHELF = ([1.53512485958697, -2.69169618940638, 1.19839281085285], [1.0, -1.69065929318241, 0.73248077421585])
HIGH_PASS = ([1.0, -2.0, 1.0], [1.0, -1.99004745483398, 0.99007225036621])
MASK = (1 << 64) - 1


def noise(seed, n):
    """Even noise from -1 to 1, as tests/suite/small_song.rs makes it."""
    state = (seed * 2862933555777941757 + 3037000493) & MASK
    out = np.empty(n)
    for i in range(n):
        state = (state * 6364136223846793005 + 1442695040888963407) & MASK
        out[i] = (state >> 40) / (1 << 23) - 1.0
    return out


def loudness(x):
    """Gated loudness of samples by channels, LUFS; weights of left and right are 1."""
    y = x
    for b, a in (SHELF, HIGH_PASS):
        y = lfilter(b, a, y, axis=0)
    hop, block = RATE // 10, 4 * RATE // 10
    power = np.array([np.mean(y[s : s + block] ** 2, axis=0).sum() for s in range(0, len(y) - block + 1, hop)])
    level = -0.691 + 10 * np.log10(np.maximum(power, 1e-30))
    kept = power[level > -70.0]
    gate = -0.691 + 10 * np.log10(kept.mean()) - 10.0
    kept = power[(level > -70.0) & (level > gate)]
    return -0.691 + 10 * np.log10(kept.mean())


def steps(levels, seconds, channels):
    """Noise whose level goes through so many dB below full scale, each for so many seconds."""
    n = int(seconds * RATE)
    x = np.stack([noise(c + 1, n * len(levels)) for c in range(channels)], axis=1)
    gain = np.repeat([10 ** (db / 20) for db in levels], n)
    return (x * gain[:, None]).astype(np.float32).astype(np.float64)


CASES = {
    "steady stereo": ([-20.0], 4.0, 2),
    "steady mono": ([-20.0], 4.0, 1),
    "a quiet passage is gated": ([-12.0, -40.0, -12.0], 2.0, 2),
    "silence is gated": ([-18.0, -120.0], 3.0, 2),
}


def main():
    here = pathlib.Path(__file__).with_suffix(".json")
    made = [
        {"name": name, "levels_db": levels, "seconds": seconds, "channels": channels,
         "lufs": round(float(loudness(steps(levels, seconds, channels))), 4)}
        for name, (levels, seconds, channels) in CASES.items()
    ]
    document = {"source": "reference_data/loudness.py: ITU-R BS.1770-4 in numpy and scipy", "cases": made}
    if "--check" in sys.argv:
        kept = json.loads(here.read_text())["cases"]
        assert [c["name"] for c in kept] == [c["name"] for c in made], "other cases"
        for old, new in zip(kept, made):
            assert abs(old["lufs"] - new["lufs"]) < 0.001, (old, new)
        print("loudness.json agrees")
    else:
        here.write_text(json.dumps(document, indent=1) + "\n")


main()
