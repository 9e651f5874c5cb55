#!/usr/bin/env python3
"""Times of ticks under changing tempos, computed by mido.

  midi_times.py            writes midi_times.json and midi_times/*.mid beside this script
  midi_times.py --check    makes them again and compares

Source of the values: mido (https://pypi.org/project/mido/), `tick2second` summed over the tempo events of each file;
the files are seeded and written by mido too, so that reader and arithmetic are both judged from outside.
Tolerance in the tests: 1e-9 s where every event falls on a tick of 960 a quarter, else the stated rounding.
Needs: mido.
"""
import json
import os
import random
import sys
import tempfile

import mido

HERE = os.path.dirname(os.path.abspath(__file__))
# ticks a quarter, tempo changes, meters by bar
SONGS = [
    ("plain_96", 96, 1, [(4, 4)]),
    ("changes_480", 480, 40, [(4, 4), (7, 8), (6, 8), (5, 4)]),
    ("ramp_960", 960, 400, [(3, 4), (4, 4)]),
    ("odd_ticks_1024", 1024, 60, [(4, 4), (12, 8)]),
    ("slow_and_fast_384", 384, 25, [(2, 2), (9, 16), (1, 4)]),
]


def make(folder):
    songs = []
    for index, (name, ppq, changes, meters) in enumerate(SONGS):
        rng = random.Random(1000 + index)
        events = []  # tick, order, message
        bar_tick = 0
        for beats, unit in meters:
            events.append((bar_tick, 0, mido.MetaMessage("time_signature", numerator=beats, denominator=unit)))
            events.append((bar_tick, 2, mido.MetaMessage("marker", text=f"{beats}/{unit}")))
            bar_tick += ppq * 4 * beats // unit * rng.randint(2, 9)
        tick = 0
        tempos = []
        for _ in range(changes):
            tempo = rng.randint(200_000, 1_500_000)
            tempos.append((tick, tempo))
            events.append((tick, 1, mido.MetaMessage("set_tempo", tempo=tempo)))
            tick += rng.randint(1, 9 * ppq)
        events.sort(key=lambda e: e[:2])
        track = mido.MidiTrack([mido.MetaMessage("track_name", name=name)])
        now = 0
        for at, _, message in events:
            track.append(message.copy(time=at - now))
            now = at
        file = mido.MidiFile(type=index % 2, ticks_per_beat=ppq)
        file.tracks.append(track)
        file.save(os.path.join(folder, f"{name}.mid"))
        points = []
        for _ in range(60):
            wanted = rng.randint(0, tick + 20 * ppq)
            seconds, last, tempo = 0.0, 0, 500_000
            for at, next_tempo in tempos:
                if at >= wanted:
                    break
                seconds += mido.tick2second(at - last, ppq, tempo)
                last, tempo = at, next_tempo
            seconds += mido.tick2second(wanted - last, ppq, tempo)
            points.append([wanted, seconds])
        songs.append({"file": f"{name}.mid", "ppq": ppq, "meters": meters, "points": points})
    return {"source": f"mido tick2second, seeds {1000}..{1000 + len(SONGS) - 1}", "songs": songs}


def main():
    kept_json, kept_folder = os.path.join(HERE, "midi_times.json"), os.path.join(HERE, "midi_times")
    if "--check" not in sys.argv[1:]:
        os.makedirs(kept_folder, exist_ok=True)
        text = json.dumps(make(kept_folder), indent=None, separators=(",", ":"))
        with open(kept_json, "w", encoding="utf-8") as f:
            f.write(text + "\n")
        return 0
    with tempfile.TemporaryDirectory() as folder:
        fresh = make(folder)
        for song in fresh["songs"]:
            a = open(os.path.join(folder, song["file"]), "rb").read()
            b = open(os.path.join(kept_folder, song["file"]), "rb").read()
            if a != b:
                print(f"{song['file']} differs")
                return 1
    kept = json.load(open(kept_json, encoding="utf-8"))
    for a, b in zip(fresh["songs"], kept["songs"], strict=True):
        for (tick, seconds), (kept_tick, kept_seconds) in zip(a["points"], b["points"], strict=True):
            if tick != kept_tick or abs(seconds - kept_seconds) > 1e-9:
                print(f"{a['file']}: tick {tick} at {seconds}, kept {kept_tick} at {kept_seconds}")
                return 1
    print(f"midi_times: {len(SONGS)} files and their times agree")
    return 0


if __name__ == "__main__":
    sys.exit(main())
