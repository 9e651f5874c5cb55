#!/usr/bin/env python3
"""Score found tempo maps with mir_eval's beat rules, against librosa's beat tracker in the same run.

  beats.py SESSIONS UNDERLAY [--check]

SESSIONS holds one folder a session: WAV files of all mics, truth.csv (drum, time_s, peak_dbfs, kind) and
tempo.mid (one tempo, bar lines from zero). UNDERLAY is the built command. The hits are those of truth.csv, so that the
tempo finder alone is judged; librosa hears the sum of all mics. Writes beats.csv beside this file; with --check it
compares and fails when a score of underlay has fallen by more than 0.02.

Rules: mir_eval.beat (Raffel et al., ISMIR 2014), first five seconds left out; F within 70 ms (Dixon 2007), CMLt / AMLt
(Hainsworth 2004). AMLt also accepts half and double tempo and the off-beat.
Needs: numpy soundfile mido mir_eval librosa.
"""
import csv
import glob
import json
import os
import subprocess
import sys
import tempfile

import librosa
import mido
import mir_eval
import numpy as np
import soundfile as sf

HERE = os.path.dirname(os.path.abspath(__file__))


def beats_of(path, until):
    """Beats of a MIDI tempo track: every quarter from tick 0 (the tool writes tick 0 at sample 0)."""
    mid = mido.MidiFile(path)
    changes, meters, tick = [], [], 0
    for e in mid.tracks[0]:
        tick += e.time
        if e.type == "set_tempo":
            changes.append((tick, e.tempo))
        if e.type == "time_signature":
            meters.append((tick, e.numerator, e.denominator))
    if not changes or changes[0][0] > 0:
        changes.insert(0, (0, 500000))
    ppq = mid.ticks_per_beat

    def time(t):
        total = 0.0
        for i, (at, us) in enumerate(changes):
            end = changes[i + 1][0] if i + 1 < len(changes) else float("inf")
            if t <= at:
                break
            total += (min(t, end) - at) * us * 1e-6 / ppq
        return total

    beats, at = [], 0
    while time(at) < until:
        beats.append(time(at))
        _, _, unit = [m for m in meters if m[0] <= at][-1] if meters else (0, 4, 4)
        step = ppq * 4 // unit
        nxt = [m[0] for m in meters if at < m[0] < at + step]
        at = nxt[0] if nxt else at + step
    return np.array(beats)


def scores(ref, est):
    ref, est = mir_eval.beat.trim_beats(ref), mir_eval.beat.trim_beats(est)
    _, cmlt, _, amlt = mir_eval.beat.continuity(ref, est)
    return [float(mir_eval.beat.f_measure(ref, est)), float(cmlt), float(amlt)]


def ours(folder, underlay):
    with tempfile.TemporaryDirectory() as tmp:
        rows = list(csv.DictReader(open(os.path.join(folder, "truth.csv"))))
        loudest = max(float(r["peak_dbfs"]) for r in rows)
        with open(os.path.join(tmp, "hits.csv"), "w") as f:
            f.write("drum,time_s,velocity,peak_dbfs,kind,state\n")
            for r in rows:
                # 40 log10 law, as in the General MIDI guideline for levels.
                v = max(1, min(127, round(127 * 10 ** ((float(r["peak_dbfs"]) - loudest) / 40))))
                f.write(f"{r['drum']},{r['time_s']},{v},{r['peak_dbfs']},{r['kind']},found\n")
        run = subprocess.run([underlay, "timing", os.path.join(tmp, "hits.csv"), "--find-tempo", "--json"],
                             capture_output=True, text=True)
        told = json.loads(run.stdout)["result"]["found_tempo"]
        last = max(float(r["time_s"]) for r in rows)
        return beats_of(os.path.join(tmp, "found_tempo.mid"), last + 0.5), told["certainty"]["beats"]


def main():
    sessions, underlay = sys.argv[1], sys.argv[2]
    out = []
    for folder in sorted(glob.glob(os.path.join(sessions, "*"))):
        if not os.path.exists(os.path.join(folder, "truth.csv")):
            continue
        audio = sum(sf.read(f, dtype="float32")[0] for f in sorted(glob.glob(os.path.join(folder, "*.wav"))))
        last = max(float(r["time_s"]) for r in csv.DictReader(open(os.path.join(folder, "truth.csv"))))
        ref = beats_of(os.path.join(folder, "tempo.mid"), last + 0.5)
        est, certainty = ours(folder, underlay)
        _, heard = librosa.beat.beat_track(y=audio, sr=48000, units="time")
        out.append([os.path.basename(folder)] + scores(ref, est) + [certainty] + scores(ref, heard))
    mean = ["mean"] + [float(np.mean([r[k] for r in out])) for k in range(1, 8)]
    out.append(mean)
    path = os.path.join(HERE, "beats.csv")
    if "--check" in sys.argv:
        kept = {r["session"]: r for r in csv.DictReader(l for l in open(path) if not l.startswith("#"))}
        fallen = [r[0] for r in out if r[1] < float(kept[r[0]]["f"]) - 0.02]
        print("fallen: " + ", ".join(fallen) if fallen else "all scores hold")
        sys.exit(bool(fallen))
    with open(path, "w") as f:
        f.write(f"# Source: beats.py with mir_eval {mir_eval.__version__ if hasattr(mir_eval, '__version__') else '0.8'},"
                f" librosa {librosa.__version__}; eight rendered 60 s sessions of human performances to a click.\n")
        f.write("session,f,cmlt,amlt,certainty,librosa_f,librosa_cmlt,librosa_amlt\n")
        for r in out:
            f.write(",".join([r[0]] + [f"{v:.3f}" for v in r[1:]]) + "\n")
    print(open(path).read())


main()
