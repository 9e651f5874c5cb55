#!/usr/bin/env python3
"""Reads trigger files back with mido and by their bytes, and compares them with the hit list.

  midi_check.py FILE.mid HITS.csv [--shift-ms MS]
  midi_check.py FOLDER            every folder below it that holds triggers.mid and hits.csv

What is checked (Standard MIDI Files 1.0, RP-001; General MIDI System Level 1):
  bytes     MThd of length 6, format 1, as many MTrk as stated, chunk lengths that add up to the file's size,
            every track ends in FF 2F 00
  map       tempo, meter and marker events in the first track only
  notes     channel 10, key 36 for the track "kick" and 38 for "snare"; every note ends before the next of its key
  times     one note for every row that is not dropped, within half a tick of the tempo in force, same velocity
Needs: mido.
"""
import argparse
import bisect
import csv
import os
import struct
import sys

import mido

KEYS = {"kick": 36, "snare": 38}


def check_bytes(data):
    assert data[:8] == b"MThd\0\0\0\x06", "header"
    form, tracks, division = struct.unpack(">HHH", data[8:14])
    assert form == 1 and 0 < division < 0x8000, (form, division)
    at, found = 14, 0
    while at < len(data):
        kind, length = data[at : at + 4], struct.unpack(">I", data[at + 4 : at + 8])[0]
        assert kind == b"MTrk", kind
        at += 8 + length
        found += 1
        assert data[at - 3 : at] == b"\xff\x2f\x00", "end of track"
    assert at == len(data) and found == tracks, (at, len(data), found, tracks)


class Times:
    """Seconds of ticks, the running sum of RP-001."""

    def __init__(self, track, ppq):
        self.ppq, self.ticks, self.tempos, self.seconds = ppq, [0], [500_000], [0.0]
        now = 0
        for message in track:
            now += message.time
            if message.type == "set_tempo":
                seconds = self.at(now)
                if now == self.ticks[-1]:
                    self.tempos[-1] = message.tempo
                else:
                    self.ticks.append(now), self.tempos.append(message.tempo), self.seconds.append(seconds)

    def at(self, tick):
        i = bisect.bisect_right(self.ticks, tick) - 1
        return self.seconds[i] + mido.tick2second(tick - self.ticks[i], self.ppq, self.tempos[i])

    def half_tick(self, tick):
        i = max(bisect.bisect_right(self.ticks, tick) - 1, 0)
        # A stroke just before a tempo change is rounded in the tempo before it.
        return max(self.tempos[max(i - 1, 0)], self.tempos[i]) / self.ppq / 2e6


def check(path, list_path, shift_ms):
    with open(path, "rb") as f:
        check_bytes(f.read())
    file = mido.MidiFile(path)
    first, *drums = file.tracks
    times = Times(first, file.ticks_per_beat)
    with open(list_path, encoding="utf-8-sig", newline="") as f:
        rows = [r for r in csv.DictReader(f) if r["state"] != "dropped"]
    worst, count = 0.0, 0
    for track in drums:
        assert not any(m.type in ("set_tempo", "time_signature", "marker") for m in track), "map outside track 1"
        key = KEYS[track.name]
        notes, sounding, now = [], False, 0
        for m in track:
            now += m.time
            if m.is_meta:
                continue
            assert m.channel == 9 and m.note == key, m
            if m.type == "note_on" and m.velocity > 0:
                assert not sounding, f"{track.name}: a note at tick {now} before the last one ended"
                notes.append((now, m.velocity))
                sounding = True
            else:
                sounding = False
        assert not sounding, f"{track.name}: the last note never ends"
        strokes = [(max(float(r["time_s"]) + shift_ms / 1000, 0.0), int(r["velocity"])) for r in rows if r["drum"] == track.name]
        assert len(notes) == len(strokes), f"{track.name}: {len(notes)} notes, {len(strokes)} hits"
        for (tick, velocity), (seconds, wanted) in zip(notes, sorted(strokes), strict=True):
            off = abs(times.at(tick) - seconds)
            # The list keeps six decimals of a second.
            assert off <= times.half_tick(tick) + 1e-6, f"{track.name} at {seconds}: {off * 1000:.3f} ms off"
            assert velocity == wanted, f"{track.name} at {seconds}: velocity {velocity}, {wanted} in the list"
            worst = max(worst, off)
        count += len(notes)
    print(f"{path}: {count} notes, the furthest {worst * 1000:.3f} ms from its hit")


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("path")
    parser.add_argument("hits", nargs="?")
    parser.add_argument("--shift-ms", type=float, default=0.0)
    args = parser.parse_args()
    if args.hits:
        check(args.path, args.hits, args.shift_ms)
        return 0
    checked = 0
    for folder, _, names in sorted(os.walk(args.path)):
        if "triggers.mid" in names and "hits.csv" in names:
            for name in sorted(n for n in ("triggers.mid", "kick.mid", "snare.mid") if n in names):
                check(os.path.join(folder, name), os.path.join(folder, "hits.csv"), args.shift_ms)
                checked += 1
    if checked == 0:
        print(f"{args.path} holds no triggers.mid with a hits.csv beside it")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
