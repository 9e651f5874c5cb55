#!/usr/bin/env bash
# Coverage-guided fuzzing of every reader for a bounded time, with the stable toolchain:
#
#   cargo install cargo-fuzz --locked
#   fuzz/run.sh [SECONDS] [TARGET...]        60 s and all targets unless said otherwise
#
# Starts from the valid files of fixtures/, reference_data/ and fuzz/seeds/, and a delivery that is made here. What was
# learnt stays in fuzz/corpus; a file that broke something is in fuzz/artifacts, and belongs into fixtures/hostile once that is mended.
# Ends with 0 only if no reader panicked, took over ten seconds for a file, or asked for more than 512 MiB.
set -euo pipefail
cd "$(dirname "$0")/.."
seconds=${1:-60}
shift || true
targets=("$@")
[ ${#targets[@]} -gt 0 ] || targets=(audio smf sheet list zip manifest)
# libFuzzer's coverage comes from flags of the stable compiler; the sanitizers need a nightly one and find nothing in a
# program without unsafe code. cargo-fuzz turns on overflow checks and debug assertions.
cargo fuzz build --sanitizer none
built=$(echo fuzz/target/*/release)

corpus() { mkdir -p "fuzz/corpus/$1"; cp -n "${@:2}" "fuzz/corpus/$1/"; }
corpus audio fixtures/audio/*.{wav,aiff,aifc,flac,mp3}
corpus smf fixtures/midi/*.mid reference_data/midi_times/*.mid
corpus list fixtures/csv/*.csv
mkdir -p fuzz/corpus/{sheet,zip,manifest}
cp -n fuzz/seeds/every_field.toml fuzz/corpus/sheet/
sheet=$(mktemp -d)
trap 'rm -rf "$sheet"' EXIT
cp fixtures/audio/mono_16bit.wav "$sheet/kick.wav"
cat > "$sheet/song.toml" <<'SHEET'
[song]
title = "Low Tide"
[tempo]
bpm = 120
[[mic]]
file = "kick.wav"
drum = "kick"
SHEET
sed 's|kick.wav|mono_16bit.wav|' "$sheet/song.toml" > fuzz/corpus/sheet/least.toml
if [ ! -e fuzz/corpus/zip/delivery.zip ]; then
  cargo build --quiet
  target/debug/underlay handoff "$sheet/song.toml" --out "$sheet/out" --quiet > /dev/null || [ $? = 1 ]
  cp "$sheet"/out/*.zip fuzz/corpus/zip/delivery.zip
  unzip -p fuzz/corpus/zip/delivery.zip '*/manifest.json' > fuzz/corpus/manifest/delivery.json
fi

for target in "${targets[@]}"; do
  printf '\n== %s, %s s\n' "$target" "$seconds"
  words=()
  [ ! -e "fuzz/words/$target.txt" ] || words=("-dict=fuzz/words/$target.txt")
  mkdir -p "fuzz/artifacts/$target"
  "$built/$target" -artifact_prefix="fuzz/artifacts/$target/" -max_total_time="$seconds" -timeout=10 \
    -rss_limit_mb=1024 -malloc_limit_mb=512 -print_final_stats=1 "${words[@]}" "fuzz/corpus/$target"
done
