#!/usr/bin/env python3
"""How far certainty can be taken at its word: of hits with certainty 0.9, nine in ten should be right.

  calibration.py SESSIONS=HITS... [--picture FILE.svg]

SESSIONS/NAME/truth.csv holds the known strokes, HITS/NAME/hits.csv what was found; a hit is right when a stroke of its
drum lies within 10 ms (one to one, mir_eval's matching). Prints a table of certainty bands; the picture is the
reliability curve (DeGroot and Fienberg 1983, The Statistician 32) with the band's share of all hits.
"""
import argparse, csv, pathlib
import numpy as np
from mir_eval.util import match_events

BANDS = (0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99, 1.0001)


def times(path, drum):
    rows = [r for r in csv.DictReader(open(path, encoding="utf-8-sig")) if r["drum"] == drum]
    rows.sort(key=lambda r: float(r["time_s"]))
    return rows, np.array([float(r["time_s"]) for r in rows])


def judged(pairs):
    """Certainty and rightness of every hit."""
    certainty, right = [], []
    for sessions, hits in pairs:
        for truth in sorted(pathlib.Path(sessions).glob("*/truth.csv")):
            found = pathlib.Path(hits) / truth.parent.name / "hits.csv"
            if not found.exists():
                continue
            for drum in ("kick", "snare"):
                _, t = times(truth, drum)
                rows, h = times(found, drum)
                matched = {j for _, j in match_events(t, h, 0.010)} if len(t) and len(h) else set()
                certainty += [float(r["certainty"]) for r in rows]
                right += [j in matched for j in range(len(h))]
    return np.array(certainty), np.array(right)


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("pairs", nargs="+"), ap.add_argument("--picture")
    a = ap.parse_args()
    certainty, right = judged([p.split("=", 1) for p in a.pairs])
    rows = []
    print("| certainty | hits | mean certainty | right |\n|---|---|---|---|")
    for low, high in zip(BANDS, BANDS[1:]):
        inside = (certainty >= low) & (certainty < high)
        if inside.any():
            rows.append((certainty[inside].mean(), right[inside].mean(), inside.sum()))
            print(f"| {low:g} to {min(high, 1):g} | {inside.sum()} | {rows[-1][0]:.3f} | {rows[-1][1]:.3f} |")
    if a.picture:
        import matplotlib
        matplotlib.use("svg")
        matplotlib.rcParams["svg.hashsalt"] = "underlay"
        import matplotlib.pyplot as plt
        fig, ax = plt.subplots(figsize=(5, 4.4))
        ax.plot([0.5, 1], [0.5, 1], "--", color="0.5", label="as good as its word")
        ax.plot([r[0] for r in rows], [r[1] for r in rows], "o-", color="#0072B2", label="hits found")
        # How many hits a point stands for, right below it; of the last, which has nearly all, above.
        for x, y, n in rows:
            ax.annotate(f"{n:,}", (x, y), textcoords="offset points", xytext=(2, -14) if x < 0.99 else (-22, 8), fontsize=8)
        ax.set(xlabel="certainty", ylabel="share that is right", xlim=(0.48, 1.05), ylim=(0.3, 1.12))
        ax.legend(frameon=False)
        fig.tight_layout(), fig.savefig(a.picture, metadata={"Date": None})


if __name__ == "__main__":
    main()
