#!/usr/bin/env python3
"""Cross-correlations by scipy, the reference for our own lags and signs.

  correlation.py            writes correlation.json beside this script
  correlation.py --check    computes it again and compares

Source of the values: scipy.signal.correlate (plain), and the phase-transform correlation of Knapp & Carter 1976 written out
with numpy.fft; places of peaks between samples by scipy.signal.resample, 64 times finer.
Tolerance in the tests: 1e-6 of the largest value for correlations; 0.02 samples for peaks between samples.
Signals are rounded to six decimals before anything is computed from them. Needs: numpy, scipy.
"""
import sys

import numpy as np
from scipy import signal

from kept import keep_or_check

FRAME = 1024
LAGS = (-40, 120)


def burst(rng, n=240):
    """A band-limited, dying burst, as a drum stroke in small."""
    x = rng.standard_normal(n) * np.exp(-np.arange(n) / 60)
    return signal.sosfilt(signal.butter(4, [0.02, 0.4], "band", output="sos"), x)


def case(rng, delay, sign, noise):
    x = np.zeros(FRAME)
    x[100:340] = burst(rng)
    f = np.fft.rfftfreq(FRAME)
    y = sign * np.fft.irfft(np.fft.rfft(x) * np.exp(-2j * np.pi * f * delay), FRAME) + noise * rng.standard_normal(FRAME)
    x, y = np.round(x, 6), np.round(y, 6)
    full = signal.correlate(y, x, mode="full")
    lags = signal.correlation_lags(FRAME, FRAME, mode="full")
    # The transform's correlation is circular: what wraps round is added.
    circular = np.zeros(FRAME)
    for lag, value in zip(lags, full):
        circular[lag % FRAME] += value
    s = np.conj(np.fft.rfft(x)) * np.fft.rfft(y)
    phat = np.fft.irfft(s / np.maximum(np.abs(s), 1e-12), FRAME)
    fine = signal.resample(circular, FRAME * 64)
    at = np.arange(FRAME * 64) / 64
    at = np.where(at > FRAME / 2, at - FRAME, at)
    inside = (at >= LAGS[0]) & (at <= LAGS[1])
    best = int(np.argmax(np.where(inside, np.abs(fine), 0)))
    span = [lag % FRAME for lag in range(LAGS[0], LAGS[1] + 1)]
    return {
        "delay": delay, "sign": sign, "x": x.tolist(), "y": y.tolist(),
        "plain": circular[span].tolist(), "phase_transform": phat[span].tolist(),
        "peak_lag": float(at[best]), "peak_sign": float(np.sign(fine[best])),
    }


def make():
    rng = np.random.default_rng(11)
    wanted = [(24, -1, 0.0), (0, 1, 0.0), (7.25, 1, 0.01), (-13.5, -1, 0.02), (61.875, 1, 0.05), (100.4, -1, 0.02)]
    return {
        "source": "scipy.signal.correlate, scipy.signal.resample, numpy.fft; numpy default_rng(11)",
        "frame": FRAME, "first_lag": LAGS[0], "cases": [case(rng, *w) for w in wanted],
    }


def difference(a, b):
    for key in ("x", "y", "plain", "phase_transform", "peak_lag", "peak_sign"):
        if not np.allclose(a[key], b[key], rtol=0, atol=2e-6 if key in "xy" else 1e-4):
            return f"delay {a['delay']}, {key}"
    return None


if __name__ == "__main__":
    sys.exit(keep_or_check(__file__, make(), difference))
