#!/usr/bin/env python3
"""Pictures of what is still wrong: every stroke missed and every sound wrongly taken, as the drum's close mic hears it.

  gallery.py SESSIONS HITS PICTURE.svg [--most 12]

Each panel shows 120 ms of kick_in.wav or snare_top.wav around the case, at the level of that moment: known strokes as
full lines, found ones as dashed lines. SESSIONS and HITS as in calibration.py.
"""
import argparse, csv, pathlib
import numpy as np
import soundfile as sf
from mir_eval.util import match_events
import matplotlib
matplotlib.use("svg")
matplotlib.rcParams["svg.hashsalt"] = "underlay"
import matplotlib.pyplot as plt

COLOUR = {"kick": "#0072B2", "snare": "#D55E00"}
MIC = {"kick": "kick_in.wav", "snare": "snare_top.wav"}


def rows(path, drum):
    r = [x for x in csv.DictReader(open(path, encoding="utf-8-sig")) if x["drum"] == drum]
    r.sort(key=lambda x: float(x["time_s"]))
    return r, np.array([float(x["time_s"]) for x in r])


def cases(sessions, hits):
    for truth in sorted(pathlib.Path(sessions).glob("*/truth.csv")):
        for drum in COLOUR:
            t, times = rows(truth, drum)
            h, found = rows(pathlib.Path(hits) / truth.parent.name / "hits.csv", drum)
            pairs = match_events(times, found, 0.010) if len(times) and len(found) else []
            loudest = max((float(x["peak_dbfs"]) for x in t), default=0)
            hit, right = {i for i, _ in pairs}, {j for _, j in pairs}
            for i in set(range(len(t))) - hit:
                text = f"missed {t[i]['kind']}, {float(t[i]['peak_dbfs']) - loudest:.0f} dB"
                yield truth.parent, drum, times[i], text, times, found
            for j in set(range(len(h))) - right:
                yield truth.parent, drum, found[j], f"wrongly taken, certainty {h[j]['certainty']}", times, found


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("sessions"), ap.add_argument("hits"), ap.add_argument("picture")
    ap.add_argument("--most", type=int, default=12)
    a = ap.parse_args()
    every = list(cases(a.sessions, a.hits))
    print(f"{len(every)} cases")
    chosen = every[:: max(1, -(-len(every) // a.most))]
    fig, axes = plt.subplots(-(-len(chosen) // 3), 3, figsize=(9, 1.7 * -(-len(chosen) // 3)), squeeze=False)
    for ax in axes.flat:
        ax.axis("off")
    for ax, (folder, drum, at, text, times, found) in zip(axes.flat, chosen):
        rate = sf.info(folder / MIC[drum]).samplerate
        x, _ = sf.read(folder / MIC[drum], start=max(0, int((at - 0.06) * rate)), frames=int(0.12 * rate))
        ms = np.arange(len(x)) / rate * 1000 - 60
        ax.axis("on")
        ax.plot(ms[::8], x[::8] / (np.abs(x).max() + 1e-9), lw=0.6, color="0.35")
        for times_, style in ((times, "-"), (found, "--")):
            for s in times_[np.abs(times_ - at) < 0.06]:
                ax.axvline((s - at) * 1000, ls=style, lw=1.3, color=COLOUR[drum])
        ax.set_title(f"{drum}: {text}", fontsize=7.5)
        ax.set_yticks([]), ax.tick_params(labelsize=6)
    fig.supxlabel("ms from the case; full lines: known strokes, dashed: found", fontsize=8)
    fig.tight_layout(), fig.savefig(a.picture, metadata={"Date": None})


if __name__ == "__main__":
    main()
