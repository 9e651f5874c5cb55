#!/usr/bin/env python3
"""Scores of random stroke lists by mir_eval, the reference for our own matching.

  matching.py            writes matching.json beside this script
  matching.py --check    computes it again and compares

Source of the values: mir_eval.onset.f_measure (Raffel et al., ISMIR 2014; https://pypi.org/project/mir_eval/).
Tolerance in the tests: 1e-9. Times are whole tenths of milliseconds and no pair lies on a window's edge.
Needs: mir_eval, numpy.
"""
import sys

import mir_eval
import numpy as np

from kept import keep_or_check


def make():
    rng = np.random.default_rng(7)
    cases = []
    while len(cases) < 80:
        window = float(rng.choice([0.002, 0.005, 0.01, 0.05]))
        known = np.unique(rng.integers(0, 6000, rng.integers(1, 25)))
        found = np.concatenate([
            known[rng.random(len(known)) < 0.8] + rng.integers(-60, 61, 1)[0],
            rng.integers(0, 6000, rng.integers(0, 8)),
        ])
        found = np.unique(np.clip(found + rng.integers(-30, 31, len(found)), 0, None))
        if len(found) == 0 or (np.abs(known[:, None] - found[None, :]) == round(window * 1e4)).any():
            continue
        known_s, found_s = known / 1e4, found / 1e4
        f, p, r = mir_eval.onset.f_measure(known_s, found_s, window=window)
        cases.append({"window": window, "known": known_s.tolist(), "found": found_s.tolist(), "f": f, "precision": p, "recall": r})
    return {"source": "mir_eval.onset.f_measure, numpy default_rng(7)", "cases": cases}


def difference(a, b):
    same = a["known"] == b["known"] and a["found"] == b["found"]
    if not same or any(abs(a[k] - b[k]) > 1e-12 for k in ("f", "precision", "recall")):
        return f"{a} {b}"
    return None


if __name__ == "__main__":
    sys.exit(keep_or_check(__file__, make(), difference))
