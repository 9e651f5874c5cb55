#!/usr/bin/env bash
# evaluate.sh UNDERLAY SESSIONS OUT SCORE.py: finds the strokes of sessions with known strokes, with nine mics, with kick,
# snare top and overheads, with kick and snare top, and with either alone, default settings, and scores each set (a drum
# whose mic is not there counts as missed).
# SESSIONS holds folders with one WAV a mic and truth.csv (see sessions.py); the truth stays out of the tool's sight.
set -euo pipefail
bin=$1 sessions=$2 out=$3 score=$4
declare -A sets=([nine]="*.wav" [four]="kick_in.wav snare_top.wav overhead_l.wav overhead_r.wav" [two]="kick_in.wav snare_top.wav" [kick_alone]="kick_in.wav" [snare_alone]="snare_top.wav")
for set in nine four two kick_alone snare_alone; do
  for s in "$sessions"/*/; do
    n=$(basename "$s")
    rm -rf "${out:?}/$set/$n" && mkdir -p "$out/$set/$n/in"
    (cd "$s" && for f in ${sets[$set]}; do ln -s "$PWD/$f" "$out/$set/$n/in/"; done)
    if [ -e "$s/tempo.mid" ]; then cp "$s/tempo.mid" "$out/$set/$n/in/"; fi
    "$bin" prep "$out/$set/$n/in" --out "$out/$set/$n/song.toml" --quiet || [ $? -eq 1 ]
    "$bin" hits "$out/$set/$n/song.toml" --out "$out/$set/$n" --quiet || [ $? -eq 1 ]
  done
  echo "== $set"
  python3 "$score" "$sessions" "$out/$set" | tail -n 2
done
