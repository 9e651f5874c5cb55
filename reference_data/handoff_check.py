#!/usr/bin/env python3
"""Checks a delivery with tools that know nothing of the program that made it.

    python reference_data/handoff_check.py ZIP...

Source of each check: Python's zipfile (CRC of every entry) and Info-ZIP's `unzip -t` where it is installed; SHA-256 by
hashlib and by `sha256sum -c`; WAV by libsndfile through soundfile (equal frames, rate, depth); the bext chunk by its
published offsets (EBU Tech 3285); file names by the convention of the Producers & Engineers Wing's Delivery
Recommendations (2018); MIDI by mido. Ends with an error at the first thing that is not so.
"""

import csv
import hashlib
import io
import json
import pathlib
import re
import shutil
import struct
import subprocess
import sys
import tempfile
import zipfile

import soundfile

NAME = re.compile(r"^[A-Za-z0-9]+(_[A-Za-z0-9]+)*\.[a-z0-9]+$")
SUBTYPE = {16: "PCM_16", 24: "PCM_24", 32: "PCM_32"}


def chunk(data, name):
    """Body of a RIFF chunk, found by walking as the format says."""
    at = 12
    while at + 8 <= len(data):
        size = struct.unpack_from("<I", data, at + 4)[0]
        if data[at : at + 4] == name:
            return data[at + 8 : at + 8 + size]
        at += 8 + size + (size & 1)
    raise AssertionError(f"no {name} chunk")


def check(path):
    with zipfile.ZipFile(path) as z:
        assert z.testzip() is None, f"{path}: CRC of {z.testzip()}"
        names = z.namelist()
        root = names[0].split("/")[0]
        assert all(n.startswith(root + "/") and ".." not in n.split("/") for n in names)
        assert all(i.date_time == (1980, 1, 1, 0, 0, 0) for i in z.infolist()), "time stamps are not fixed"
        files = {n[len(root) + 1 :]: z.read(n) for n in names}
    manifest = json.loads(files["manifest.json"])
    own = {"manifest.json", "checksums.sha256"}
    assert set(files) - own == {f["path"] for f in manifest["files"]}
    for f in manifest["files"]:
        data = files[f["path"]]
        assert len(data) == f["bytes"] and hashlib.sha256(data).hexdigest() == f["sha256"], f["path"]
    last = [n.rsplit("/", 1)[-1].lower() for n in files]
    assert len(set(last)) == len(last), "two files are named alike"

    frames = set()
    for f in manifest["files"]:
        name = f["path"].rsplit("/", 1)[-1]
        assert NAME.match(name), name
        if f["audio"] is None:
            continue
        data = files[f["path"]]
        with soundfile.SoundFile(io.BytesIO(data)) as s:
            frames.add(s.frames)
            assert s.samplerate == manifest["rate_hz"] and s.subtype == SUBTYPE[manifest["bits"]], name
            assert s.channels == f["audio"]["channels"]
            assert len(s.read(dtype="int32")) == s.frames
        assert struct.unpack_from("<I", data, 4)[0] == len(data) - 8, f"{name}: RIFF size"
        bext = chunk(data, b"bext")
        assert len(bext) >= 602 and struct.unpack_from("<Q", bext, 338)[0] == 0, f"{name}: time reference"
        assert name.endswith(f"_{manifest['rate_hz'] // 1000}k{manifest['bits']}.wav"), name
    assert frames == {manifest["frames"]}, frames

    sheet = next(v for n, v in files.items() if n.endswith("_TrackSheet.csv"))
    rows = list(csv.DictReader(io.StringIO(sheet.decode())))
    assert len(rows) == sum(f["audio"] is not None for f in manifest["files"])
    for n, v in files.items():
        if n.endswith(".mid"):
            import mido

            midi = mido.MidiFile(file=io.BytesIO(v))
            assert midi.type == 1 and midi.ticks_per_beat > 0, n

    with tempfile.TemporaryDirectory() as d:
        if shutil.which("unzip"):
            subprocess.run(["unzip", "-tq", path], check=True, stdout=subprocess.DEVNULL)
            subprocess.run(["unzip", "-qq", path, "-d", d], check=True)
        else:
            print("unzip is not installed: its part of the check is LEFT OUT", file=sys.stderr)
            zipfile.ZipFile(path).extractall(d)
        if shutil.which("sha256sum"):
            subprocess.run(["sha256sum", "--quiet", "-c", "checksums.sha256"], check=True, cwd=pathlib.Path(d) / root)
        else:
            print("sha256sum is not installed: its part of the check is LEFT OUT", file=sys.stderr)
    print(f"{path}: {len(rows)} audio files of {manifest['frames']} frames, {len(files)} files in all: good")


if len(sys.argv) < 2:
    sys.exit(__doc__)
for zip_path in sys.argv[1:]:
    check(zip_path)
